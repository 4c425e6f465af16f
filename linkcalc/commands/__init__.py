"""What the commands answer, from Python: a plan in, in any form, and the answer out.

Every function here has the name of its command; all are names of `linkcalc` itself. They load what they need when
they are called. All raise `ArgumentError` where an argument has no form that it can have, `PlanError` where the plan
is none or lacks what is asked of it, `TerrainError` where its ground gives no profile, `DomainError` where a figure
is out of range, and `ReadingsError` where nothing in readings can be used.
"""

"""A check: report, budget, remedies and pictures."""

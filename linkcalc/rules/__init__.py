"""Consequences of the plan that are rules of others: legal limits of a transmitter."""

"""A sweep over settings."""

"""Margins over both antenna heights."""

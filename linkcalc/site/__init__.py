"""Measured on site, and what is written for it."""

"""Validation against published tables, apart from what pytest collects: `python -m tests.validation`."""

"""Surveys and acceptance tests."""

"""Legal limits and exposure."""

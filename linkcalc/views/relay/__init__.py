"""Where a relay would go."""

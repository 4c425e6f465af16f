"""Where a relay would stand: places, chains, files."""

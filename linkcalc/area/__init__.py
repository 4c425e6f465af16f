"""Areas: the same answer as for one path, for every point of the land."""

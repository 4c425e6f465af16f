"""Areas: the answer of a single check for every point of the land; docs/models/cells.md tells it in a page."""

"""Many settings of one link at once: sweeps, draws, heights, distances, candidates."""

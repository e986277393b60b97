"""Trends: each site against itself, combined; changes with their dates; meters and people that read high or low."""

"""A whole demonstration in a temporary place, with invented data."""

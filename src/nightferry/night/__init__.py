"""The phases of one run."""

"""The decisions: pure functions of values, tested without a disk."""

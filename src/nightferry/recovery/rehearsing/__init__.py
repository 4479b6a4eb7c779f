"""Restore tests from the secondary alone: the sample, the restore of it, what it shows."""

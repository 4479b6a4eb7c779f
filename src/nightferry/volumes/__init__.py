"""Drives and their identity: mounts, cards, locks, room, and what a file system can hold."""

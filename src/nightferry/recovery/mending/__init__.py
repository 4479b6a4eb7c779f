"""Putting damage right, on a person's word."""

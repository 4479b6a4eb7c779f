"""Verifying by hand and mending: what is done about damage, beside the night."""

"""Telling those who are elsewhere: alerts, mornings, a heartbeat, figures for those who scrape."""

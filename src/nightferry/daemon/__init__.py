"""The resident scheduler: when a night begins, the processes that run nights, what it tells systemd."""

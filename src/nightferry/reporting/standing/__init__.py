"""How each pair stands: the status file, who may read it, and what to do next."""

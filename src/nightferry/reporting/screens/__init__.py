"""What each command shows of its result: for a person, and under the stable names of ``--json``."""

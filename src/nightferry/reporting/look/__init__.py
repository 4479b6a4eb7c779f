"""What all screens share: texts and tables, words, units, moments, progress, log lines, exit codes."""

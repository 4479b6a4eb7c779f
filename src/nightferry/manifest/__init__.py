"""What is known of every file of a pair. The only code that speaks SQL."""

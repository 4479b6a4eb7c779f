"""What a person types: thin, no rules of its own."""

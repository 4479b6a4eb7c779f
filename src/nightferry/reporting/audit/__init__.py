"""What nights changed: questions and answers, the history of names, as plain values."""

"""File trees: scanning, metadata, durable writes. With ``volumes`` the only code that touches files."""

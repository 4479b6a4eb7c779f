"""Status and audit: read the manifest, decide nothing."""

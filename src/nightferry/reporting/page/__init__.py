"""The morning report as one HTML page: what stands in it, how it is drawn, how it is written down."""

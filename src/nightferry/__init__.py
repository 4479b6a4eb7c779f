"""An independent nightly copy of one drive to another, verified and restorable."""

__version__ = "0.1.0"

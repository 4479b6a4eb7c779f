"""The configuration, as plain values."""

from nightferry.settings.loading import load
from nightferry.settings.model import PairSettings, Settings

__all__ = ["PairSettings", "Settings", "load"]

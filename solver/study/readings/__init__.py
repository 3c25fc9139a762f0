"""What an analyser read at the antenna: records, files, and de-embedding."""

from .reading import line_of, read_readings
from .records import Readings

__all__ = ["Readings", "line_of", "read_readings"]

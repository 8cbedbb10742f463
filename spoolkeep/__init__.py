"""Spoolkeep keeps a workshop of 3D printers in plastic."""

__version__ = "0.1.0"

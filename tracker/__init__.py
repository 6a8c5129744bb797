"""Rim resection tracker: how much of the acetabular rim has gone, and how much is left."""

__version__ = "0.1.0"

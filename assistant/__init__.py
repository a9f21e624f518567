"""Hands-free subjective refraction: hears the answers, keeps the place, says the next lens, writes it down."""

__version__ = "0.1.0"

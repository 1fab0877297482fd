"""Puts the parts of a fleet's hub together."""

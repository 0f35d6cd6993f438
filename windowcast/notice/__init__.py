"""Decisions turned into words. Pure."""

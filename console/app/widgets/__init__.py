"""Widgets that screens share."""

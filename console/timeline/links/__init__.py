"""Causes and effects across parties, and the effects that did not come."""

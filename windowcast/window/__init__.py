"""The decision: which starts fit, how likely, which one to name. Pure."""

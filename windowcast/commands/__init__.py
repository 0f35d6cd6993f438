"""The commands in groups; each module is imported only when one of its own is asked for."""

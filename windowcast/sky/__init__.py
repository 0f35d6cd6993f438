"""The weather as numbers: daily highs, scenarios. Pure."""

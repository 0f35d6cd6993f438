"""What a beekeeper knows: treatments, hives, visits. Pure."""

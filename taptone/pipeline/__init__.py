"""The story of a tap."""

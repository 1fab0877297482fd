"""The board page of a fleet."""

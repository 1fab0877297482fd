"""What to connect with what, with which parts, and the figures behind it; pure."""

"""The only wiring: builds the parts, their threads, and the order in which they stop."""

"""The journal: one SQLite file with samples, events, orders, what was learned, and cursors."""

"""Brings what the journal holds to the outside; a cursor for each sink."""

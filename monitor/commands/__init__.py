"""One file for each command: what it takes, what it shows, which part of the program it calls."""

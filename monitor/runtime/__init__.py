"""Clock, back-off, watchdog and the lock that keeps a second daemon out."""

"""What is raised when, and an alarm's life. Pure: `now` is an argument, nothing is sent."""

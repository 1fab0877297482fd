"""What a span of time was like for a filter, and a report of it as a page. Pure."""

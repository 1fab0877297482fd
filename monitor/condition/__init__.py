"""From readings to flow, clean reference and cause. Pure: `now` is an argument, nothing is read."""

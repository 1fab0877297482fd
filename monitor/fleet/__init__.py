"""Many sites at once: what their messages add up to, who is silent, whom to visit. Pure."""

"""The edges of a fleet: the broker's shared subscription, Redis, the books of the business."""

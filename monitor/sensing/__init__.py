"""Four sources of one kind: pins, probe, recording, rig."""

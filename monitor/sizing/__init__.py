"""The sizing model: pump curve against circuit gives clean flow. Pure: no clock, file or network."""

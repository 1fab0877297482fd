"""The only reader of configuration files and of the environment; plain values go inward."""

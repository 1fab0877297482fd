"""Commissioning on site: a walk of small steps that ends in a configuration and a dated sheet."""

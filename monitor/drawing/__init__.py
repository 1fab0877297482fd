"""Pictures as text: SVG from plain numbers. Pure."""

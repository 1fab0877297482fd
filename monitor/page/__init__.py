"""The local web page: what it shows is pure text, what it does is an order in the journal."""

"""The books of the business: an SQLite file that nothing else can bring back."""

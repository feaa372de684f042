"""NUMBERS WITH DOUBT: values with intervals, serial correlation, lots as the unit of replication."""

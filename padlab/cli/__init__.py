"""One short file a command: arguments -> calls -> text or JSON."""

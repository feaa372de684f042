"""WHAT WAS TESTED AND MEASURED: pads, runs, the shelf they stand on, tables recorded elsewhere."""

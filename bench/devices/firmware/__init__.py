"""What runs on the I/O board: copy `main.py` and `hardware.py` to a microcontroller with MicroPython 1.20 or later."""

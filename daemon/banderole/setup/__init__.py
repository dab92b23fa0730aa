"""Setting a printer up: what its heater, its line and its firmware are like, found out; and the printer file from it."""

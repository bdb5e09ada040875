"""Timeline to sound: strips, their sum, the master, and windows of it."""

"""What is handed on: pictures and the printable plan."""

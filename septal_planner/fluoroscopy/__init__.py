"""What will be seen at the table: C-arm angles."""

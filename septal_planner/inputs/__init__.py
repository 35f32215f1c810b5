"""What is given: the CT and the landmarks."""

"""What is thrown at the program, and what it must survive: the checks behind the reliability table."""

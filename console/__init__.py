"""What people see and type: the command line, the board, plain lines, results."""

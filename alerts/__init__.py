"""What needs a person: one file per rule, the alarm life cycle, and the monitor that ties them to the chain."""

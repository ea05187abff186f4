"""What leaves the computer: bounded queues, drops counted."""

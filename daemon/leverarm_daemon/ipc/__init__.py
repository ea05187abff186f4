"""The two sockets: messages, and how they are sent."""

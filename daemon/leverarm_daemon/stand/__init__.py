"""The stand link: bytes to lines, lines to frames and back."""

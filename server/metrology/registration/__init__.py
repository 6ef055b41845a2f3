"""Two surfaces of one thing brought together without a start position; `register` is the way in."""

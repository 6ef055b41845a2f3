"""What a scan looks like by its shape alone: bodies and nothing else, a body closed all round, jaws closed upon each other,
an arch with posts, with teeth, or bare."""

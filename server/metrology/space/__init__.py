"""The room above implants: along their axes, around them, and along the arch."""

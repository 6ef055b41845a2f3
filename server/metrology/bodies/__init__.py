"""Reference bodies (scan bodies): finding them in a scan, fitting them, and saying how far the fit can be trusted."""

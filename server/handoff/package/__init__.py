"""The package that is handed to design: one archive with every record in one frame, positions, report and manifest; pure."""

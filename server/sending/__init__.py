"""The client of a portal: sends a record set from a folder and brings back the verdict. Knows the portal's interface only."""

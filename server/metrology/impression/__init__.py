"""The impression side of a denture: told from its outer side, turned into a positive, compared with what it was taken of."""

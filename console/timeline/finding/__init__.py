"""Finding one's way: filters, searches, the next of a sort, moments, differences."""

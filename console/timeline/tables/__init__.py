"""What sources held as tables on the common axis."""

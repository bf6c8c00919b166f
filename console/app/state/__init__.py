"""What a user leaves behind: kept state of runs, recent ones, settings; and how it is written."""

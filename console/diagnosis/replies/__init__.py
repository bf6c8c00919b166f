"""What replies look like: which are not what the target had to say, and in what way."""

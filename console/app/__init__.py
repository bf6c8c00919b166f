"""The console: screens over one run, drawn with Textual."""

"""The bench file: model, validation with line numbers."""

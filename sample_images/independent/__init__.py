"""A second, separate renderer of checking photos: nothing here is shared with the other renderer."""

"""A printed piece in use: what it takes to press it, how it is laid, and how much water its spool holds."""

"""The bench: a local web page over the workflows. `app.serve` runs it; nothing here computes anything itself."""

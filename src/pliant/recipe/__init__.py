"""A soft recipe from the user's own rigid one: derived from what the feed path carries, each value with its reason."""

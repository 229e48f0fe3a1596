"""Text of known form → columns: many rows at once where they are regular, line by line where not."""

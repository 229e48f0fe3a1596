"""The figures of the lessons: one file each, drawn on boards whose axes stay."""

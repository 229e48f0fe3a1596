"""What the lines of a log are: how its rows are written, what its columns mean, and what that rests on."""

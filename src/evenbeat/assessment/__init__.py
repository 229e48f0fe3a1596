"""The whole job: from a record to stability, aging, holdover, interval and a verdict in plain words."""

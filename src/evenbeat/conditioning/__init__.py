"""A record becomes a record whose doubtful samples are flagged; nothing is deleted or filled in."""

"""When the rows were written: moments, numbers of seconds or days, leap seconds, and the regular grid."""

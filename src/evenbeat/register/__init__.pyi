"""What works on a register, beside ``evenbeat.Register`` itself."""

from .facts import KeptAssessment as KeptAssessment
from .promises import realised_reliability as realised_reliability
from .tables import import_table as import_table
from .trace import trace_reference as trace_reference
from .verification import verify_register as verify_register

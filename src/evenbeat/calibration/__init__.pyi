"""What a calibration laboratory uses beside the verbs of ``evenbeat`` itself."""

from .decision import DecisionRule as DecisionRule
from .decision import global_risk as global_risk
from .experiment import plan_experiment as plan_experiment
from .methods import compare_methods as compare_methods
from .reliability import fit_reliability as fit_reliability
from .specification import Specification as Specification
from .specification import check_specification as check_specification

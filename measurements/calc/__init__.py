"""Arithmetic of air balancing: pure functions over SI values, readable without the rest of the service.

Nothing here imports Django. Every function states its units, validity and source; outside its validity it
refuses with a reason.
"""

from .advice import WORDS as ADVICE
from .advice import Advice, Change, advise
from .air import (
    STANDARD_AIR_IP,
    STANDARD_AIR_SI,
    compressibility,
    density,
    density_model,
    dew_point,
    humidity_from_dew_point,
    humidity_from_wet_bulb,
    pitot_velocity,
    pressure_at_altitude,
    saturation_pressure,
    to_standard_flow,
    wet_bulb,
)
from .anemometer import AnemometerTraverse, anemometer_traverse
from .brief import without_budgets
from .calibration import JudgedPoint, RangeLimits, judge_points
from .centreline import CentrelineReading, centreline_reading
from .check import PressureCheck, pressure_check
from .coil import CoilHeat, coil_heat
from .conditions import WEATHER_U, Air, resolve_air
from .conformity import (
    Conformity,
    DecisionRule,
    Tolerance,
    Verdict,
    conformance_probability,
    judge,
    judge_value,
    not_decidable,
    tolerance_of,
)
from .conformity import Rule as AcceptanceRule
from .distributions import COVERAGE, Distribution, coverage_factor, from_limits, from_resolution
from .duct import Duct, Shape, lined_duct
from .errors import CalcError, ModelError, Refused, UnitError
from .face import FaceVelocity, effective_area_of, face_velocity
from .fan import FanState
from .fan_inputs import FanTest
from .fan_site import fan_test
from .fume_hood import HoodFace, hood_face
from .instrument import Accuracy, CertificatePoint, Corrected, Instrument, correct
from .layout import (
    Counts,
    Hole,
    Layout,
    Plane,
    PlaneGrade,
    Point,
    ProbeCheck,
    advised_counts,
    check_probe,
    make_layout,
    plane_quality,
)
from .leakage import LeakageTest, leakage_test
from .line import Line, fit_line
from .method import (
    Allowances,
    Code,
    Estimate,
    Limits,
    MethodResult,
    Part,
    PartFigure,
    PointVelocity,
    Remark,
    RunFigure,
)
from .mixing import MixedAir, mixed_air
from .models import HoodSignal, Signal
from .outlet import HoodReading, hood_factor, hood_reading
from .pictures import VelocityMap, Work, expected_work, usual_rule, velocity_map
from .places import Readings
from .plan import Sharing
from .positions import Rule, round_fractions, side_fractions
from .profile import StaticProfile, static_profile
from .pump import pump_test
from .pump_model import PumpTest
from .records import digest, from_plain, to_plain
from .room import RoomPressure, room_pressure
from .sound import SoundLevel, sound_level
from .station import FlowStation, flow_station
from .sweeps import Sweep, SweptTraverse
from .swept import swept_traverse
from .system import SystemBalance, balance
from .traverse import PitotTraverse, PointReading, pitot_traverse, pooled_repeatability
from .uncertainty import BudgetRow, Correlation, Effect, Quantity, Result, evaluate, propagate, rounded
from .units import Kind, difference_from_si, difference_to_si, find_unit, from_si, to_si, units_of
from .valve import ValveFlow, valve_flow
from .version import CALCULATION_VERSION

__all__ = [
    "ADVICE",
    "CALCULATION_VERSION",
    "COVERAGE",
    "STANDARD_AIR_IP",
    "STANDARD_AIR_SI",
    "WEATHER_U",
    "AcceptanceRule",
    "Accuracy",
    "Advice",
    "Air",
    "Allowances",
    "AnemometerTraverse",
    "BudgetRow",
    "CalcError",
    "CentrelineReading",
    "CertificatePoint",
    "Change",
    "Code",
    "CoilHeat",
    "Conformity",
    "Corrected",
    "Correlation",
    "Counts",
    "DecisionRule",
    "Distribution",
    "Duct",
    "Effect",
    "Estimate",
    "FaceVelocity",
    "FanState",
    "FanTest",
    "FlowStation",
    "Hole",
    "HoodFace",
    "HoodReading",
    "HoodSignal",
    "Instrument",
    "JudgedPoint",
    "Kind",
    "Layout",
    "LeakageTest",
    "Limits",
    "Line",
    "MethodResult",
    "MixedAir",
    "ModelError",
    "Part",
    "PartFigure",
    "PitotTraverse",
    "Plane",
    "PlaneGrade",
    "Point",
    "PointReading",
    "PointVelocity",
    "PressureCheck",
    "ProbeCheck",
    "PumpTest",
    "Quantity",
    "RangeLimits",
    "Readings",
    "Refused",
    "Remark",
    "Result",
    "RoomPressure",
    "Rule",
    "RunFigure",
    "Shape",
    "Sharing",
    "Signal",
    "SoundLevel",
    "StaticProfile",
    "Sweep",
    "SweptTraverse",
    "SystemBalance",
    "Tolerance",
    "UnitError",
    "ValveFlow",
    "VelocityMap",
    "Verdict",
    "Work",
    "advise",
    "advised_counts",
    "anemometer_traverse",
    "balance",
    "centreline_reading",
    "check_probe",
    "coil_heat",
    "compressibility",
    "conformance_probability",
    "correct",
    "coverage_factor",
    "density",
    "density_model",
    "dew_point",
    "difference_from_si",
    "difference_to_si",
    "digest",
    "effective_area_of",
    "evaluate",
    "expected_work",
    "face_velocity",
    "fan_test",
    "find_unit",
    "fit_line",
    "flow_station",
    "from_limits",
    "from_plain",
    "from_resolution",
    "from_si",
    "hood_face",
    "hood_factor",
    "hood_reading",
    "humidity_from_dew_point",
    "humidity_from_wet_bulb",
    "judge",
    "judge_points",
    "judge_value",
    "leakage_test",
    "lined_duct",
    "make_layout",
    "mixed_air",
    "not_decidable",
    "pitot_traverse",
    "pitot_velocity",
    "plane_quality",
    "pooled_repeatability",
    "pressure_at_altitude",
    "pressure_check",
    "propagate",
    "pump_test",
    "resolve_air",
    "room_pressure",
    "round_fractions",
    "rounded",
    "saturation_pressure",
    "side_fractions",
    "sound_level",
    "static_profile",
    "swept_traverse",
    "to_plain",
    "to_si",
    "to_standard_flow",
    "tolerance_of",
    "units_of",
    "usual_rule",
    "valve_flow",
    "velocity_map",
    "wet_bulb",
    "without_budgets",
]

"""The study file: one frozen, typed section a module, each default beside its meaning."""

from morphcline.study.autocorrelation import Autocorrelation, Within
from morphcline.study.clines import Change, Clines
from morphcline.study.general import General
from morphcline.study.habitat import Habitat
from morphcline.study.in_force import settings_in_force, source_key
from morphcline.study.limits import USUAL_LIMITS, Limits
from morphcline.study.load import Study, load_study
from morphcline.study.plan import Plan
from morphcline.study.publish import Plate, Publish, Sensitive
from morphcline.study.records import FIELDS, EarlierSurvey, Position, RecordSource, Sheet
from morphcline.study.report import Area, Report
from morphcline.study.scoring import Scoring, Selection, UserTrait
from morphcline.study.steepness import Steepness
from morphcline.study.surfaces import Neighbours, Surfaces
from morphcline.study.temperature import Temperature

__all__ = [
    "FIELDS",
    "USUAL_LIMITS",
    "Area",
    "Autocorrelation",
    "Change",
    "Clines",
    "EarlierSurvey",
    "General",
    "Habitat",
    "Limits",
    "Neighbours",
    "Plan",
    "Plate",
    "Position",
    "Publish",
    "RecordSource",
    "Report",
    "Scoring",
    "Selection",
    "Sensitive",
    "Sheet",
    "Steepness",
    "Study",
    "Surfaces",
    "Temperature",
    "UserTrait",
    "Within",
    "load_study",
    "settings_in_force",
    "source_key",
]

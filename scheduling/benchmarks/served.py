"""The service's own settings, with empty views beside its pages to measure them against."""

from config.settings import *  # noqa: F403  # the very settings, and the two lines below
from config.settings import MIDDLEWARE as SERVED

ROOT_URLCONF = "scheduling.benchmarks.limits"
MIDDLEWARE = ["scheduling.benchmarks.limits.bare", *SERVED]

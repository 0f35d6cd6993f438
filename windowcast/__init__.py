"""When may a varroa treatment start? Windows of fitting daily highs, yard by yard.

windowcast reads open forecasts, scans for runs of days whose highs stay inside a treatment's band
for its whole exposure, and says each morning, per yard, the earliest start and its chance.
DEVELOPERS.md maps the rooms of this package.
"""

__version__ = "0.1.0"

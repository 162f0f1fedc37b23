"""How likely each cause is before any data, and from which odds a finding is raised."""

from pipeline.contract.causes import RECORDS

RAISE_AT = 2.0
"""Log posterior odds from which a finding is raised: some seven to one. [C]"""
LOG_PRIOR = {cause.name: cause.log_prior for cause in RECORDS if cause.log_prior is not None}
"""Log odds before any data of each cause that signals tell: of a draw on a tank's day and of water coming in (one in
eight years), of a pattern on a tank (one in 250), of a gauge that falls ill on its day and of a site's clocks (one in
three years), of a hose's feed on its day (one in eight years), of litres that one hose does not book (one in 400), of
a drop without a ticket (one in 150), of another product in a drop (one in 650), of a spell without a cause on a tank
(one in 400), of a probe whose exchange leaves it off (one in 20). Common practice, no source."""

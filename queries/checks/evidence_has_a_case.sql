-- One row is a piece of evidence for a case that there is not.
-- fail
select
    evidence.case_id,
    evidence.seq,
    evidence.name
from evidence
anti join cases using (case_id)

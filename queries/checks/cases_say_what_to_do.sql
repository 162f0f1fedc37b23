-- One row is a case without a word of what to do or what was found.
-- fail
select
    case_id,
    action,
    summary
from cases
where
    trim(action) = ''
    or trim(summary) = ''

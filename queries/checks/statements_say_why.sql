-- One row is an inconclusive statement that does not say why.
-- fail
select
    tank_id,
    month,
    verdict
from statements
where
    verdict = 'inconclusive'
    and coalesce(trim(reason), '') = ''

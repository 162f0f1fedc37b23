-- One row is a row of the lake that was refused, each once however often it stood there.
select distinct
    "table",
    "row",
    reason
from _refused
order by all

-- One row is a row that was refused of a table of the lake.
-- Parameters: $name.
select
    "table",
    "row",
    reason
from _refused
where "table" = $name

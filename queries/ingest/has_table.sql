-- One row is a table by the name asked for: one or none.
-- Parameters: $name.
select table_name
from duckdb_tables()
where
    table_name = $name
    and not internal

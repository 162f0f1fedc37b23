-- One row is a table that a run has published; what begins with _ is the store's own business.
select table_name
from duckdb_tables()
where not starts_with(table_name, '_')
order by table_name

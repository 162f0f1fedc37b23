-- One row is a column of a table of this database, in the order in which the table has them.
select
    table_name,
    column_name,
    data_type,
    is_nullable
from duckdb_columns()
where
    database_name = current_database()
    and schema_name = 'main'
    and not internal
    and table_name in (select table_name from duckdb_tables())
order by
    table_name,
    column_index

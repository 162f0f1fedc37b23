-- One row is a table of the lake: how many rows were read, were doubles and were refused, and the share refused.
-- Rows that were refused on their way into the lake stand in quarantine alone: they count as read and as refused.
with
    seen as (
        select
            "table",
            sum("read")::bigint as rows_read,
            sum(doubles)::bigint as doubles
        from _parts
        group by "table"
    ),
    refused as (
        select
            "table",
            count(*) as rows_refused
        from _refused
        group by "table"
    ),
    before as (
        select
            quarantine."table",
            count(*) as rows_refused
        from quarantine
        anti join _refused using ("table", "row", reason)
        group by quarantine."table"
    ),
    counted as (
        select
            "table",
            coalesce(seen.rows_read, 0) + coalesce(before.rows_refused, 0) as rows_read,
            coalesce(seen.doubles, 0) as doubles,
            coalesce(refused.rows_refused, 0) + coalesce(before.rows_refused, 0) as rows_refused
        from seen
        full join before using ("table")
        left join refused using ("table")
    )
select
    "table",
    rows_read,
    doubles,
    rows_refused,
    case when rows_read > 0 then 100.0 * rows_refused / rows_read else 0.0 end as refused_pct
from counted
order by
    refused_pct desc,
    "table"

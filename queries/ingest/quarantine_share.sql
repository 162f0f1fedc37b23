-- One row is a table of the lake: how many rows were read, were doubles and were refused, and the share refused.
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
    )
select
    seen."table",
    seen.rows_read,
    seen.doubles,
    coalesce(refused.rows_refused, 0) as rows_refused,
    case when seen.rows_read > 0 then 100.0 * coalesce(refused.rows_refused, 0) / seen.rows_read else 0.0 end
        as refused_pct
from seen
left join refused using ("table")
order by
    refused_pct desc,
    seen."table"

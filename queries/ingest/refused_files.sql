-- One row is a file of the lake, or a column of one, that could not be used: a line about it.
select distinct json_extract_string("row", '$.said') as said
from _refused
where regexp_matches(reason, '^(file|column)_')
order by said

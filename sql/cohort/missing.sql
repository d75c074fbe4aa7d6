-- missing: which values and readings are missing in each study, and why.
-- reads: summary, readings.
-- column relation: summary (one row a test) or readings (one row a reading).
-- column rows_n, 1: Rows of that relation in the study; of readings, those that are not void.
-- column what: The column that is null, its note (a column ..._note says why one is null, or what a value that is
-- there does not fulfil), or reading: one that was missed.
-- column code: The reason; codes are explained with the columns of a test.
-- column found_n, 1: Rows with it.
-- column found_percent, %: found_n in percent of rows_n.
--
-- One row a study, relation, column and reason.  Nulls that follow from another null are not told again.
with pairs as (
    select study, 'summary' as relation, unnest(string_split(missing, ' ')) as pair from summary
    union all
    select study, 'readings', unnest(string_split(missing, ' ')) from readings where status <> 'void'
),
notes as (
    select study, 'summary' as relation, what, code
    from (
        -- flags_note counts flags
        unpivot (select study, columns('.*_note$') from (select * exclude (flags_note) from summary))
        on * exclude (study) into name what value code
    )
    union all
    select study, 'readings', what, code
    from (
        unpivot (select study, columns('.*_note$') from readings where status <> 'void')
        on * exclude (study) into name what value code
    )
),
found as (
    select study, relation, split_part(pair, '=', 1) as what, split_part(pair, '=', 2) as code from pairs
    union all
    select study, relation, what, code from notes
    union all
    select study, 'readings', 'reading', coalesce(missed_reason, 'unknown') from readings where status = 'missed'
),
all_rows as (
    select study, 'summary' as relation, count(*) as rows_n from summary group by study
    union all
    select study, 'readings', count(*) from readings where status <> 'void' group by study
)
select study, relation, rows_n, what, code, count(*) as found_n, 100.0 * count(*) / rows_n as found_percent
from found
join all_rows using (study, relation)
group by study, relation, rows_n, what, code
order by study, relation, found_n desc, what, code

-- sources: one row a source of a test, as it was last announced (a source that comes back
-- after a crash is announced again).
-- inputs: source_opened.  clock_offset_s is added to the source's own times; ranks: 1 first.
select study, test_id, seq, name, adapter, format_digest, clock_offset_s, clock_method,
    watts_rank, cadence_rank, heart_rate_rank, heart_rate_from_rr
from source_opened
qualify row_number() over (partition by study, test_id, name order by seq desc) = 1

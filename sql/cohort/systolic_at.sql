-- systolic_at: systolic pressure of each test at a load and at a share of the heart-rate reserve, or why there is none.
-- reads: summary, readings, stages; sbp_brackets, sbp_at_loads.
-- parameter sbp_at_watts = 100 W: the load.
-- parameter sbp_at_percent_reserve = 60 %: the share of the heart-rate reserve.
-- parameter sbp_bracket_watts = 60 W: how far apart two readings may be for a line between them.
-- example: sbp_at_watts=75
--
-- One row a test, by the definitions of summary.parquet (sql/test), for any load and share.
select study, test_id, participant, visit, sex, age_years, there.* exclude (study, test_id)
from summary
join sbp_at_loads as there using (study, test_id)
order by study, test_id

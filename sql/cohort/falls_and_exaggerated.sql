-- falls_and_exaggerated: how often systolic fell under rising load and how often it ended high, with published base
-- rates.
-- reads: summary, readings, flags.
-- parameter male_mmhg = 210 mmHg: systolic at the end of exercise from which a man's counts as exaggerated.
-- parameter female_mmhg = 190 mmHg: the same for women.
-- example: male_mmhg=220 female_mmhg=200
-- column response: systolic_fall, systolic_fall_confirmed, systolic_below_rest (flags of the shipped rules or the
-- laboratory's), end_below_rest (sbp_peak below sbp_rest) or exaggerated_response (sbp_peak at or above the limit).
-- column sex: female, male or unknown.
-- column tests_n, 1: Tests that were asked.
-- column judged_n, 1: Tests in which it could be seen: two used readings under load; a rest and an end; an end, from
-- 18 years on, that is known or, as a lower bound, is over the limit already.
-- column found_n, 1: Tests in which it was.
-- column found_percent, %: found_n in percent of judged_n.
-- column low_percent, %: Lower end of the 95 % interval of that share (Wilson).
-- column high_percent, %: Upper end of that interval.
-- column base_rate_percent, %: How often it is so in a published population; null where none is known or the limit
-- is another.
-- column base_rate_source: Publication of base_rate_percent.
--
-- Somebody who came twice counts twice.  A share above or below the base rate is no finding about anybody: half of
-- healthy people are over the limits of an exaggerated response.
with judged as (
    select study, test_id, coalesce(sex, 'unknown') as sex, unnest([
            {response: 'systolic_fall', seen: loaded_n >= 2, found: coalesce(has_fall, false)},
            {response: 'systolic_fall_confirmed', seen: loaded_n >= 2, found: coalesce(has_confirmed, false)},
            {response: 'systolic_below_rest', seen: loaded_n >= 2 and sbp_rest_mmhg is not null,
                found: coalesce(has_below_rest, false)},
            {response: 'end_below_rest',
                seen: sbp_rest_mmhg is not null and sbp_peak_mmhg is not null
                    and (not sbp_peak_at_least or sbp_peak_mmhg >= sbp_rest_mmhg),
                found: sbp_peak_mmhg < sbp_rest_mmhg},
            {response: 'exaggerated_response',
                seen: age_years >= 18 and sbp_peak_mmhg is not null and limit_mmhg is not null
                    and (not sbp_peak_at_least or sbp_peak_mmhg >= limit_mmhg),
                found: sbp_peak_mmhg >= limit_mmhg}
        ]) as one
    from (
        select study, test_id, sex, age_years, sbp_rest_mmhg, sbp_peak_mmhg,
            coalesce(sbp_peak_at_least, false) as sbp_peak_at_least,
            case sex when 'male' then $male_mmhg when 'female' then $female_mmhg end as limit_mmhg
        from summary
    )
    left join (
        select study, test_id, count(*) as loaded_n from readings
        where used and phase in ('warmup', 'exercise') group by study, test_id
    ) using (study, test_id)
    left join (
        select study, test_id, bool_or(code = 'systolic_fall') as has_fall,
            bool_or(code = 'systolic_fall_confirmed') as has_confirmed,
            bool_or(code = 'systolic_below_rest') as has_below_rest
        from flags where state <> 'withdrawn' group by study, test_id
    ) using (study, test_id)
),
counted as (
    select one.response as response, sex, count(*) as tests_n,
        count(*) filter (where coalesce(one.seen, false)) as judged_n,
        count(*) filter (where coalesce(one.seen and one.found, false)) as found_n
    from judged
    group by one.response, sex
),
base_rates as (
    select * from (values
        ('end_below_rest', 'male', 0.23, 'Daida et al., Mayo Clin Proc 1996;71:445 (treadmill, secondary page)'),
        ('end_below_rest', 'female', 1.45, 'Daida et al., Mayo Clin Proc 1996;71:445 (treadmill, secondary page)'),
        ('exaggerated_response', 'male', 51, 'EJPC 2025;32:43, 589 healthy people, cycle (secondary page)'),
        ('exaggerated_response', 'female', 64, 'EJPC 2025;32:43, 589 healthy people, cycle (secondary page)')
    ) as printed (response, sex, base_rate_percent, base_rate_source)
    where response <> 'exaggerated_response' or (sex = 'male' and $male_mmhg = 210)
        or (sex = 'female' and $female_mmhg = 190)
)
select response, sex, tests_n, judged_n, found_n, 100.0 * found_n / nullif(judged_n, 0) as found_percent,
    100 * (found_n + 1.9208 - 1.96 * sqrt(found_n * (judged_n - found_n) / nullif(judged_n, 0)::double + 0.9604))
        / nullif(judged_n + 3.8416, 0) as low_percent,
    100 * (found_n + 1.9208 + 1.96 * sqrt(found_n * (judged_n - found_n) / nullif(judged_n, 0)::double + 0.9604))
        / nullif(judged_n + 3.8416, 0) as high_percent,
    base_rate_percent::double as base_rate_percent, base_rate_source
from counted
left join base_rates using (response, sex)
order by response, sex

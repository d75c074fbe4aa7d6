-- fall_candidates: one row a used loaded reading and thing about falling pressure to be flagged.
-- inputs: falls, rest_values, stages, symptom_noted, sign_noted, test_opened, setting.
-- {code, quantity, observed mmHg, detail}, judged in 61_flags; observed null: nothing to judge.
with symptoms as (
    select study, test_id, seq, event_time, code, case code
            when 'chest_pain' then coalesce(severity, 2) else coalesce(severity, 1) end as severity
    from symptom_noted where not void
    union all
    select study, test_id, seq, event_time, 'sign', coalesce(severity, 1) from sign_noted where not void
),
fallen as (
    select falls.study, falls.test_id, reading_id, stage_index, phase, measured_at, k1_mmhg, clarity, load_watts,
        load_source, reference_mmhg, reference_at, fall_mmhg, next_id, next_at, next_watts, next_k1_mmhg,
        next_stage_index, next_phase, before_k1_mmhg, before_stage_index, sbp_rest_mmhg, first_loaded_index,
        exists (from symptoms where symptoms.study = falls.study and symptoms.test_id = falls.test_id
            and severity > 0 and abs(seconds_between(symptoms.event_time, falls.measured_at)) <= fall_symptom_s) as has_symptom,
        fall_confirm, fall_confirm_s, fall_confirm_watts, minutes_text(anchor, reference_at) as reference_time,
        format('{:.0f} below {:.0f} mmHg at {} min ({:.0f} W){}', fall_mmhg, reference_mmhg,
            minutes_text(anchor, reference_at), reference_watts,
            case load_source when 'target' then '; load not logged, target used' else '' end) as fall_words
    from falls
    join test_opened using (study, test_id)
    cross join setting
    left join rest_values using (study, test_id)
    left join (select study, test_id, min(stage_index) as first_loaded_index from stages where loaded
        group by study, test_id) using (study, test_id)
)
select fallen.study, fallen.test_id, fallen.reading_id, stage_index, phase, measured_at, unnest([
    {code: 'systolic_fall', quantity: 'fall', observed: fall_mmhg, detail: fall_words},
    {code: 'systolic_fall_confirmed', quantity: 'clear_fall',
     observed: case when clarity = 'clear' then fall_mmhg end, detail: fall_words},
    {code: 'systolic_fall_confirmed', quantity: 'fall_with_symptom',
     observed: case when has_symptom then fall_mmhg end, detail: fall_words},
    {code: 'systolic_fall_confirmed', quantity: 'fall_unconfirmed',
     observed: case when fall_confirm = 'none' then fall_mmhg end, detail: fall_words},
    {code: 'fall_not_judged', quantity: 'presence',
     observed: case when load_source is null then 1 end, detail: 'neither load nor target is known'},
    {code: 'systolic_below_rest', quantity: 'below_rest_twice',
     observed: case when before_stage_index <> first_loaded_index
        then least(sbp_rest_mmhg - k1_mmhg, sbp_rest_mmhg - before_k1_mmhg) end,
     detail: 'this reading and the one before lie below rest'}
])
from fallen
union all
select fallen.study, fallen.test_id, next_id, next_stage_index, next_phase, next_at,
    {code: 'systolic_fall_confirmed', quantity: 'repeated_fall',
     observed: least(fall_mmhg, reference_mmhg - next_k1_mmhg),
     detail: format('two readings below {:.0f} mmHg at {} min', reference_mmhg, reference_time)}
from fallen
where seconds_between(measured_at, next_at) <= fall_confirm_s
    and next_watts >= load_watts - fall_confirm_watts

-- flag_stages: one row a stage: what flags ask of it and of the stages around it.
-- inputs: stage_loads, test_opened, setting.
-- target_mean: the planned mean load, of a ramp over the part that was ridden and counted;
-- `_step`: change from the loaded stage before.  W, bpm, seconds.
select stage_loads.study, stage_loads.test_id, stage_seq, stage_index, phase, ended_at, loaded, is_ramp,
    is_over, started_by, planned_s, ridden_s, watts_mean,
    watts_mean - lag(watts_mean) over loaded_order as watts_step,
    stage_hr_bpm - lag(stage_hr_bpm) over loaded_order as hr_step,
    max(watts_mean) over (partition by stage_loads.study, stage_loads.test_id, loaded
        order by stage_index rows between unbounded preceding and 1 preceding) as highest_before,
    lead(phase) over (partition by stage_loads.study, stage_loads.test_id order by stage_index) as next_phase,
    max(watts_mean) filter (where loaded) over (
        partition by stage_loads.study, stage_loads.test_id) as highest_watts,
    target_watts + case when is_ramp then (target_watts_to - target_watts)
        * least(1, (load_grace_s + ridden_s) / 2 / nullif(planned_s, 0)) else 0 end as target_mean,
    load_off_percent, hr_rise_watts, load_noise_watts, medication, pacemaker, test_opened.has_protocol
from stage_loads
join test_opened using (study, test_id)
cross join setting
window loaded_order as (partition by stage_loads.study, stage_loads.test_id, loaded order by stage_index)

-- The typed tables that a journal fills: one table a kind of event, named like it, one row an
-- event, keyed by study and test_id.  Amendments are already applied; the originals stand in
-- `amended`.  Times are UTC without a zone, durations seconds, units in the names.
-- Statements end in a semicolon at the end of a line; pipeline/tables.py runs them in order.

-- what everything is joined and grouped by; where all names are known beforehand pipeline/tables.py
-- makes them enums, which are small numbers in the order of the names
create type study_name as varchar;
create type test_name as varchar;
create type source_name as varchar;

create macro seconds_between(earlier, later) as (epoch_us(later) - epoch_us(earlier)) / 1e6;
create macro plus_s(moment, seconds) as moment + to_microseconds(cast(round(seconds * 1e6) as bigint));

-- a moment of a test in words: minutes and seconds since it was opened, as displays show it
create macro minutes_text(anchor, moment) as format('{:d}:{:02d}',
    cast(floor(seconds_between(anchor, moment) / 60) as bigint),
    cast(floor(seconds_between(anchor, moment)) as bigint) % 60);

-- u of b - a, of which a share is an error of scale; null where there is no change
create macro u_of_change(u_b, u_a, change, scale_share) as
    sqrt(u_b * u_b + u_a * u_a + scale_share * change * scale_share * change);

-- u of the ratio a / b of two values that vary apart
create macro u_of_ratio(ratio, a, u_a, b, u_b) as ratio * sqrt((u_a / a) * (u_a / a) + (u_b / b) * (u_b / b));

-- on the line from (low, low_mmhg) to (high, high_mmhg), and its u; never asked beyond them
create macro between_mmhg(low, high, low_mmhg, high_mmhg, wanted) as
    low_mmhg + (high_mmhg - low_mmhg) * (wanted - low) / (high - low);
create macro u_between_mmhg(low, high, u_low, u_high, wanted) as
    sqrt(u_low * (high - wanted) * u_low * (high - wanted) + u_high * (wanted - low) * u_high * (wanted - low))
    / (high - low);

-- oxygen uptake under load, mL/kg/min; the sources stand in sql/test/37_derived.sql
create macro vo2_loaded(method, watts, mass_kg) as case method
    when 'acsm' then 10.8 * watts / mass_kg + 7
    when 'acsm_old' then 12.24 * watts / mass_kg + 3.5
    when 'maximal_cycle' then 1.74 * 6.12 * watts / mass_kg + 3.5
end;

-- tanaka (2001); fox; gellish (2007, coefficients from memory); gulati (2010, women); adults only
create macro hr_max_predicted(method, age) as case when age >= 18 then
    case method
        when 'tanaka' then 208 - 0.7 * age
        when 'fox' then 220 - age
        when 'gellish' then 206.9 - 0.67 * age
        when 'gulati' then 206 - 0.88 * age
    end
end;

create macro crosses(observed, operator, threshold) as case operator
    when '>' then observed > threshold
    when '>=' then observed >= threshold
    when '<' then observed < threshold
    when '<=' then observed <= threshold
end;

-- one row a test: how far its journal goes.  `as_of` is the pipeline time up to which flags
-- about time are judged: of the tick when live, of the last line when sealed.
create table journal_end (
    study study_name, test_id test_name, as_of timestamp, last_seq bigint, chain varchar, closed boolean
);

create table test_opened (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    journal_version bigint, mode varchar, anchor timestamp, participant varchar, visit bigint,
    purpose varchar, intent varchar, age_years double, sex varchar, height_cm double, mass_kg double,
    arm_circumference_cm double, medication varchar, pacemaker boolean, ergometer_posture varchar,
    rpe_scale varchar, observer varchar, people bigint, bladder_length_cm double,
    bladder_width_cm double, gauge_step_mmhg double, gauge_checked_on date, rules_digest varchar,
    software varchar, timezone varchar, has_protocol boolean
);

-- one row a limit of this test that was set
create table test_limit (study study_name, test_id test_name, quantity varchar, threshold double);

create table test_closed (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    outcome varchar, reason varchar, stopped_by varchar
);

-- ranks: 1 is asked first; null where the source does not give the measure
create table source_opened (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    name source_name, adapter varchar, format_digest varchar, clock_offset_s double, clock_method varchar,
    watts_rank bigint, cadence_rank bigint, heart_rate_rank bigint, heart_rate_from_rr boolean
);

create table sample (
    study study_name, test_id test_name, seq bigint, event_time timestamp, source source_name,
    watts double, cadence_rpm double, heart_rate_bpm double
);

create table line_rejected (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    raw varchar, reason varchar
);

create table stage_started (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    stage_index bigint, label varchar, phase varchar, position varchar, target_watts double,
    target_watts_to double, planned_s double, "by" varchar, method varchar
);

create table stage_extended (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    stage_index bigint, seconds double, reason varchar
);

create table reading_due (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    stage_index bigint, stand_by timestamp, cuff_up timestamp, first_sound_due timestamp,
    window_closes timestamp, inflate_to_mmhg double, listen_to_mmhg double,
    expected_sbp_mmhg double, expected_dbp_mmhg double, aims_at varchar, fits varchar,
    snapshot_seq bigint, "by" varchar
);

create table prompt_superseded (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    due_seq bigint, reason varchar
);

create table reading_taken (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    due_seq bigint, k1_mmhg double, k1_at_least boolean, k4_mmhg double, k5_mmhg double,
    heard_to_mmhg double, palpated_mmhg double, measured_source varchar, last_sound_at timestamp,
    arm varchar, position varchar, inflated_to_mmhg double, deflation_mmhg_per_s double,
    deflation_mmhg_per_beat double, clarity varchar, arm_support varchar, arm_below_heart_cm double,
    observer varchar, role varchar, pair_seq bigint, note varchar, void boolean
);

create table reading_missed (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    due_seq bigint, stage_index bigint, attempted boolean, reason varchar, text varchar, void boolean
);

create table exertion_rated (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    due_seq bigint, rpe double, rpe_scale varchar, about varchar, void boolean
);

create table symptom_noted (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    code varchar, severity bigint, reported_by varchar, text varchar, void boolean
);

create table sign_noted (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    code varchar, severity bigint, reported_by varchar, text varchar, void boolean
);

create table cuff_changed (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    bladder_length_cm double, bladder_width_cm double
);

create table amended (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    target_seq bigint, field varchar, value varchar, original varchar, reason varchar, "by" varchar
);

create table flag_raised (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    code varchar, level varchar, target_seq bigint, observed double, threshold double
);

create table flag_acknowledged (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    code varchar, target_seq bigint, "by" varchar
);

create table clock_stepped (
    study study_name, test_id test_name, seq bigint, event_time timestamp, elapsed_s double, source varchar,
    cause varchar, step_s double
);

-- the rules in force: no threshold stands in SQL
create table rule (
    code varchar, quantity varchar, variant varchar, level varchar, operator varchar, threshold double,
    unit varchar, persistence bigint, phase varchar, intent varchar, sex varchar, age_min double,
    age_max double, beta_blocker boolean, recovery_mode varchar,
    words varchar, rule_source varchar, position bigint
);

-- the sizes of cuffs by arm circumference, of pipeline/bladder.py
create table bladder (
    arm_from_cm double, arm_to_cm double, cuff varchar, width_cm double, length_cm double, words varchar
);

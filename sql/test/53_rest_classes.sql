-- rest_classes: one row a test: the class of the resting pressure by two guidelines.
-- inputs: seated_rests.
-- ACC/AHA 2017 (Whelton 2018), ESC 2024 (McEvoy, Eur Heart J 2024;45:3912); adults.
select study, test_id,
    case
        when not has_class then null
        when sbp_mmhg >= 140 or dbp_mmhg >= 90 then 'stage_2'
        when sbp_mmhg >= 130 or dbp_mmhg >= 80 then 'stage_1'
        when sbp_mmhg >= 120 then 'elevated'
        else 'normal'
    end as rest_class_acc_aha,
    case
        when not has_class then null
        when sbp_mmhg >= 140 or dbp_mmhg >= 90 then 'hypertension'
        when sbp_mmhg >= 120 or dbp_mmhg >= 70 then 'elevated'
        else 'non_elevated'
    end as rest_class_esc,
    rest_class_note
from seated_rests

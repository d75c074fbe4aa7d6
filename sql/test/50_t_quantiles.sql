-- t_quantiles: one row a number of degrees of freedom: the 0.975 quantile of Student's t.
-- inputs: none.
-- NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, as printed with three decimals.
-- Beyond 30 degrees of freedom the last is taken, which errs to the wide side.
select unnest(range(1, 31)) as df, unnest([
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228,
    2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086,
    2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042
]::double[]) as t_975

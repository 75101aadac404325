-- fleet_periods: the roll-up of the whole fleet, one row a period.
--
-- Reads vehicle_periods. Sums over vehicles, and ratios of those sums; only vehicles that were seen in a period are in
-- its row, so `vehicles` is to be read beside every change. A vehicle without a quantity is in neither of a ratio's sums.
SELECT
    period,
    CAST(COUNT(*) AS BIGINT) AS vehicles,
    CAST(SUM(CASE WHEN drive_days > 0 THEN 1 ELSE 0 END) AS BIGINT) AS vehicles_driven,
    CAST(SUM(days) AS BIGINT) AS vehicle_days,
    CAST(SUM(drive_days) AS BIGINT) AS drive_days,
    CAST(SUM(trips) AS BIGINT) AS trips,
    SUM(drive_h) AS drive_h,
    SUM(engine_h) AS engine_h,
    SUM(distance_km) AS distance_km,
    SUM(distance_assist_km) AS distance_assist_km,
    SUM(distance_unassisted_km) AS distance_unassisted_km,
    CASE
        WHEN SUM(distance_assist_km) + SUM(distance_unassisted_km) > 0
            THEN SUM(distance_assist_km) / (SUM(distance_assist_km) + SUM(distance_unassisted_km))
    END AS assist_share,
    SUM(fuel_l) AS fuel_l,
    SUM(fuel_assist_l) AS fuel_assist_l,
    SUM(fuel_unassisted_l) AS fuel_unassisted_l,
    CASE
        WHEN SUM(CASE WHEN l_per_100km IS NOT NULL THEN l_per_100km_over_km ELSE 0.0 END) > 0
            THEN SUM(l_per_100km * l_per_100km_over_km) / SUM(CASE WHEN l_per_100km IS NOT NULL THEN l_per_100km_over_km ELSE 0.0 END)
    END AS l_per_100km,
    CASE
        WHEN SUM(CASE WHEN l_per_100km_assisted IS NOT NULL THEN l_per_100km_assisted_over_km ELSE 0.0 END) > 0
            THEN SUM(l_per_100km_assisted * l_per_100km_assisted_over_km) / SUM(CASE WHEN l_per_100km_assisted IS NOT NULL THEN l_per_100km_assisted_over_km ELSE 0.0 END)
    END AS l_per_100km_assisted,
    CASE
        WHEN SUM(CASE WHEN l_per_100km_unassisted IS NOT NULL THEN l_per_100km_unassisted_over_km ELSE 0.0 END) > 0
            THEN SUM(l_per_100km_unassisted * l_per_100km_unassisted_over_km) / SUM(CASE WHEN l_per_100km_unassisted IS NOT NULL THEN l_per_100km_unassisted_over_km ELSE 0.0 END)
    END AS l_per_100km_unassisted,
    SUM(pack_out_kwh) AS pack_out_kwh,
    SUM(pack_in_kwh) AS pack_in_kwh,
    SUM(pack_in_driving_kwh) AS pack_in_driving_kwh,
    SUM(wall_kwh) AS wall_kwh,
    CASE
        WHEN SUM(CASE WHEN pack_wh_per_km IS NOT NULL THEN pack_wh_per_km_over_km ELSE 0.0 END) > 0
            THEN SUM(pack_wh_per_km * pack_wh_per_km_over_km) / SUM(CASE WHEN pack_wh_per_km IS NOT NULL THEN pack_wh_per_km_over_km ELSE 0.0 END)
    END AS pack_wh_per_km,
    CASE WHEN SUM(drive_days) > 0 THEN CAST(SUM(short_days) AS DOUBLE) / SUM(drive_days) END AS short_days_share,
    CASE WHEN SUM(drive_days) > 0 THEN CAST(SUM(slow_days) AS DOUBLE) / SUM(drive_days) END AS slow_days_share,
    CASE WHEN SUM(drive_days) > 0 THEN CAST(SUM(short_slow_days) AS DOUBLE) / SUM(drive_days) END AS short_slow_days_share,
    CASE WHEN SUM(soc_days) > 0 THEN CAST(SUM(one_charge_days) AS DOUBLE) / SUM(soc_days) END AS one_charge_days_share,
    MAX(winding_max_c) AS winding_max_c,
    SUM(winding_hot_s) AS winding_hot_s,
    SUM(winding_cycles) AS winding_cycles,
    SUM(winding_life_h) AS winding_life_h,
    MAX(controller_max_c) AS controller_max_c,
    SUM(controller_hot_s) AS controller_hot_s,
    SUM(fault_s) AS fault_s,
    SUM(late_cutoff_s) AS late_cutoff_s,
    SUM(recorded_h) AS recorded_h,
    MIN(distance_coverage) AS distance_coverage_min,
    MIN(fuel_coverage) AS fuel_coverage_min,
    MIN(pack_coverage) AS pack_coverage_min,
    SUM(gap_s) AS gap_s,
    CAST(SUM(bad_messages) AS BIGINT) AS bad_messages,
    MIN(calibration_due) AS calibration_due
FROM vehicle_periods
GROUP BY period

-- vehicle_periods: the roll-up, one row a vehicle and period.
--
-- Reads days, class_days, class_reference, calendar (role `now`) and parameters, a table of one row:
-- day_distance_m and day_speed_km_h (what makes a short and a slow day), empty_soc_pct (a pack that was below was used up).
-- Mileage is summed fuel over summed distance, never a mean of ratios, and both of the time in which both are known: a
-- meter that was silent for a day would halve the consumption otherwise. `*_over_km` is that distance. `*_standardised` is what the vehicle would have
-- taken on the fleet's pooled driving of the reference days (direct standardisation by class of speed), and
-- `*_standardised_share` the share of that driving in classes in which it was seen.
WITH session_days AS (
    SELECT
        c.period AS period,
        d.*,
        CASE WHEN COALESCE(d.drive_s, 0) > 0 OR COALESCE(d.engine_on_s, 0) > 0 THEN 1 ELSE 0 END AS is_drive
    FROM calendar AS c
    INNER JOIN days AS d ON d.day = c.day
    WHERE c.role = 'now'
),

sums AS (
    SELECT
        period,
        vehicle,
        CAST(COUNT(DISTINCT day) AS BIGINT) AS days,
        CAST(COUNT(*) AS BIGINT) AS session_days,
        SUM(recorded_s) AS recorded_s,
        CAST(SUM(COALESCE(trips, 0)) AS BIGINT) AS trips,
        SUM(drive_s) AS drive_s,
        SUM(engine_on_s) AS engine_on_s,
        SUM(distance_m) AS distance_m,
        SUM(distance_assist_m) AS distance_assist_m,
        SUM(distance_unassisted_m) AS distance_unassisted_m,
        SUM(fuel_ml) AS fuel_ml,
        SUM(fuel_assist_ml) AS fuel_assist_ml,
        SUM(fuel_unassisted_ml) AS fuel_unassisted_ml,
        SUM(pack_out_wh) AS pack_out_wh,
        SUM(pack_in_wh) AS pack_in_wh,
        SUM(pack_in_driving_wh) AS pack_in_driving_wh,
        SUM(pack_distance_m) AS pack_distance_m,
        SUM(pack_distance_wh) AS pack_distance_wh,
        SUM(wall_wh) AS wall_wh,
        SUM(assist_on_s) AS assist_on_s,
        MAX(winding_max_c) AS winding_max_c,
        SUM(winding_hot_s) AS winding_hot_s,
        SUM(winding_cycles) AS winding_cycles,
        SUM(winding_life_h) AS winding_life_h,
        MAX(controller_max_c) AS controller_max_c,
        SUM(controller_hot_s) AS controller_hot_s,
        SUM(fault_s) AS fault_s,
        SUM(late_cutoff_s) AS late_cutoff_s,
        SUM(gap_s) AS gap_s,
        CAST(SUM(COALESCE(bad_messages, 0)) AS BIGINT) AS bad_messages,
        SUM(CASE WHEN is_drive = 1 THEN recorded_s ELSE 0.0 END) AS drive_recorded_s,
        SUM(CASE WHEN is_drive = 1 THEN distance_valid_s END) AS distance_valid_s,
        SUM(CASE WHEN is_drive = 1 THEN fuel_valid_s END) AS fuel_valid_s,
        SUM(CASE WHEN is_drive = 1 THEN pack_valid_s END) AS pack_valid_s,
        SUM(CASE WHEN is_drive = 1 THEN assist_valid_s END) AS assist_valid_s,
        SUM(CASE WHEN is_drive = 1 THEN winding_valid_s END) AS winding_valid_s,
        MAX(t_us) AS last_us
    FROM session_days
    GROUP BY period, vehicle
),

-- The rig of the last session says when a calibration runs out; of two that begin at once, the earlier day.
due AS (
    SELECT d.period AS period, d.vehicle AS vehicle, MIN(d.calibration_due) AS calibration_due
    FROM session_days AS d
    INNER JOIN sums AS s ON s.period = d.period AND s.vehicle = d.vehicle AND s.last_us = d.t_us
    GROUP BY d.period, d.vehicle
),

fast AS (
    SELECT s.vehicle AS vehicle, s.day AS day, SUM(s.distance_m) AS fast_m
    FROM class_days AS s
    CROSS JOIN parameters AS p
    WHERE s.mode = 'all' AND s.class_km_h >= p.day_speed_km_h AND s.day IN (SELECT day FROM calendar WHERE role = 'now')
    GROUP BY s.vehicle, s.day
),

drive_days AS (
    SELECT
        period,
        vehicle,
        day,
        SUM(distance_m) AS distance_m,
        MIN(CASE WHEN is_drive = 1 THEN soc_min_pct END) AS soc_min_pct
    FROM session_days
    GROUP BY period, vehicle, day
    -- Not by where trips set off: one past midnight is driving on both days.
    HAVING SUM(COALESCE(drive_s, 0)) > 0
),

-- A day is slow with at most a hundredth of its distance at or above the given speed.
kinds AS (
    SELECT
        d.period AS period,
        d.vehicle AS vehicle,
        CAST(COUNT(*) AS BIGINT) AS drive_days,
        CAST(SUM(CASE WHEN d.distance_m <= p.day_distance_m THEN 1 ELSE 0 END) AS BIGINT) AS short_days,
        CAST(SUM(CASE WHEN COALESCE(f.fast_m, 0.0) <= 0.01 * d.distance_m THEN 1 ELSE 0 END) AS BIGINT) AS slow_days,
        CAST(SUM(
            CASE
                WHEN d.distance_m <= p.day_distance_m AND COALESCE(f.fast_m, 0.0) <= 0.01 * d.distance_m THEN 1
                ELSE 0
            END
        ) AS BIGINT) AS short_slow_days,
        CAST(COUNT(d.soc_min_pct) AS BIGINT) AS soc_days,
        CAST(SUM(CASE WHEN d.soc_min_pct >= p.empty_soc_pct THEN 1 ELSE 0 END) AS BIGINT) AS one_charge_days
    FROM drive_days AS d
    CROSS JOIN parameters AS p
    LEFT JOIN fast AS f ON f.vehicle = d.vehicle AND f.day = d.day
    GROUP BY d.period, d.vehicle
),

own AS (
    SELECT
        c.period AS period,
        s.vehicle AS vehicle,
        s.mode AS mode,
        s.class_km_h AS class_km_h,
        SUM(s.fuel_ml) AS fuel_ml,
        SUM(s.fuel_distance_m) AS fuel_distance_m,
        SUM(s.fuel_seconds) AS fuel_seconds
    FROM calendar AS c
    INNER JOIN class_days AS s ON s.day = c.day
    WHERE c.role = 'now'
    GROUP BY c.period, s.vehicle, s.mode, s.class_km_h
),

measured AS (
    SELECT
        period,
        vehicle,
        SUM(CASE WHEN mode = 'all' THEN fuel_ml END) AS fuel_ml,
        SUM(CASE WHEN mode = 'all' THEN fuel_distance_m END) AS distance_m,
        SUM(CASE WHEN mode = 'assisted' THEN fuel_ml END) AS fuel_assist_ml,
        SUM(CASE WHEN mode = 'assisted' THEN fuel_distance_m END) AS distance_assist_m,
        SUM(CASE WHEN mode = 'unassisted' THEN fuel_ml END) AS fuel_unassisted_ml,
        SUM(CASE WHEN mode = 'unassisted' THEN fuel_distance_m END) AS distance_unassisted_m
    FROM own
    GROUP BY period, vehicle
),

pooled AS (
    SELECT period, mode, SUM(distance_m) AS distance_m
    FROM class_reference
    GROUP BY period, mode
),

standard AS (
    SELECT
        o.period AS period,
        o.vehicle AS vehicle,
        o.mode AS mode,
        SUM(r.seconds * o.fuel_ml / o.fuel_seconds) AS fuel_ml,
        SUM(r.distance_m) AS distance_m
    FROM own AS o
    INNER JOIN class_reference AS r ON r.period = o.period AND r.mode = o.mode AND r.class_km_h = o.class_km_h
    WHERE o.fuel_seconds > 0
    GROUP BY o.period, o.vehicle, o.mode
),

standardised AS (
    SELECT
        s.period AS period,
        s.vehicle AS vehicle,
        MAX(CASE WHEN s.mode = 'all' AND s.distance_m > 0 THEN 100.0 * s.fuel_ml / s.distance_m END) AS l_all,
        MAX(CASE WHEN s.mode = 'all' AND p.distance_m > 0 THEN s.distance_m / p.distance_m END) AS share_all,
        MAX(CASE WHEN s.mode = 'assisted' AND s.distance_m > 0 THEN 100.0 * s.fuel_ml / s.distance_m END) AS l_assisted,
        MAX(CASE WHEN s.mode = 'assisted' AND p.distance_m > 0 THEN s.distance_m / p.distance_m END) AS share_assisted,
        MAX(CASE WHEN s.mode = 'unassisted' AND s.distance_m > 0 THEN 100.0 * s.fuel_ml / s.distance_m END) AS l_unassisted,
        MAX(CASE WHEN s.mode = 'unassisted' AND p.distance_m > 0 THEN s.distance_m / p.distance_m END) AS share_unassisted
    FROM standard AS s
    INNER JOIN pooled AS p ON p.period = s.period AND p.mode = s.mode
    GROUP BY s.period, s.vehicle
)

SELECT
    s.period AS period,
    s.vehicle AS vehicle,
    s.days AS days,
    COALESCE(k.drive_days, 0) AS drive_days,
    s.trips AS trips,
    s.drive_s / 3600.0 AS drive_h,
    s.engine_on_s / 3600.0 AS engine_h,
    s.distance_m / 1000.0 AS distance_km,
    s.distance_assist_m / 1000.0 AS distance_assist_km,
    s.distance_unassisted_m / 1000.0 AS distance_unassisted_km,
    CASE
        WHEN s.distance_assist_m + s.distance_unassisted_m > 0
            THEN s.distance_assist_m / (s.distance_assist_m + s.distance_unassisted_m)
    END AS assist_share,
    s.fuel_ml / 1000.0 AS fuel_l,
    s.fuel_assist_ml / 1000.0 AS fuel_assist_l,
    s.fuel_unassisted_ml / 1000.0 AS fuel_unassisted_l,
    CASE WHEN m.distance_m > 0 THEN 100.0 * m.fuel_ml / m.distance_m END AS l_per_100km,
    m.distance_m / 1000.0 AS l_per_100km_over_km,
    CASE WHEN m.distance_assist_m > 0 THEN 100.0 * m.fuel_assist_ml / m.distance_assist_m END AS l_per_100km_assisted,
    m.distance_assist_m / 1000.0 AS l_per_100km_assisted_over_km,
    CASE
        WHEN m.distance_unassisted_m > 0 THEN 100.0 * m.fuel_unassisted_ml / m.distance_unassisted_m
    END AS l_per_100km_unassisted,
    m.distance_unassisted_m / 1000.0 AS l_per_100km_unassisted_over_km,
    z.l_all AS l_per_100km_standardised,
    z.share_all AS standardised_share,
    z.l_assisted AS l_per_100km_assisted_standardised,
    z.share_assisted AS assisted_standardised_share,
    z.l_unassisted AS l_per_100km_unassisted_standardised,
    z.share_unassisted AS unassisted_standardised_share,
    s.pack_out_wh / 1000.0 AS pack_out_kwh,
    s.pack_in_wh / 1000.0 AS pack_in_kwh,
    s.pack_in_driving_wh / 1000.0 AS pack_in_driving_kwh,
    s.wall_wh / 1000.0 AS wall_kwh,
    CASE WHEN s.pack_distance_m > 0 THEN s.pack_distance_wh * 1000.0 / s.pack_distance_m END AS pack_wh_per_km,
    s.pack_distance_m / 1000.0 AS pack_wh_per_km_over_km,
    k.short_days AS short_days,
    k.slow_days AS slow_days,
    k.short_slow_days AS short_slow_days,
    k.soc_days AS soc_days,
    k.one_charge_days AS one_charge_days,
    CASE WHEN k.drive_days > 0 THEN CAST(k.short_days AS DOUBLE) / k.drive_days END AS short_days_share,
    CASE WHEN k.drive_days > 0 THEN CAST(k.slow_days AS DOUBLE) / k.drive_days END AS slow_days_share,
    CASE WHEN k.drive_days > 0 THEN CAST(k.short_slow_days AS DOUBLE) / k.drive_days END AS short_slow_days_share,
    CASE WHEN k.soc_days > 0 THEN CAST(k.one_charge_days AS DOUBLE) / k.soc_days END AS one_charge_days_share,
    s.assist_on_s AS assist_on_s,
    s.winding_max_c AS winding_max_c,
    s.winding_hot_s AS winding_hot_s,
    s.winding_cycles AS winding_cycles,
    s.winding_life_h AS winding_life_h,
    s.controller_max_c AS controller_max_c,
    s.controller_hot_s AS controller_hot_s,
    s.fault_s AS fault_s,
    s.late_cutoff_s AS late_cutoff_s,
    s.recorded_s / 3600.0 AS recorded_h,
    CASE WHEN s.drive_recorded_s > 0 THEN s.distance_valid_s / s.drive_recorded_s END AS distance_coverage,
    CASE WHEN s.drive_recorded_s > 0 THEN s.fuel_valid_s / s.drive_recorded_s END AS fuel_coverage,
    CASE WHEN s.drive_recorded_s > 0 THEN s.pack_valid_s / s.drive_recorded_s END AS pack_coverage,
    CASE WHEN s.drive_recorded_s > 0 THEN s.assist_valid_s / s.drive_recorded_s END AS assist_coverage,
    CASE WHEN s.drive_recorded_s > 0 THEN s.winding_valid_s / s.drive_recorded_s END AS winding_coverage,
    s.gap_s AS gap_s,
    s.bad_messages AS bad_messages,
    u.calibration_due AS calibration_due
FROM sums AS s
LEFT JOIN kinds AS k ON k.period = s.period AND k.vehicle = s.vehicle
LEFT JOIN measured AS m ON m.period = s.period AND m.vehicle = s.vehicle
LEFT JOIN standardised AS z ON z.period = s.period AND z.vehicle = s.vehicle
LEFT JOIN due AS u ON u.period = s.period AND u.vehicle = s.vehicle

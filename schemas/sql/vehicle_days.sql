-- vehicle_days: each vehicle's days, with the fuel and the assist that the fleet would have used on them.
--
-- Reads days, class_days, class_reference and calendar (role `history`). `expected_*` is what the fleet's pooled
-- rates of the reference days give for the time that this vehicle spent in each class of speed: fuel in mL, assisted
-- time in s. Observed over expected is the standardised consumption (indirect standardisation); `fuel_*_classed_ml`
-- is the observed fuel in the same classes.
WITH driven AS (
    SELECT
        c.period AS period,
        d.vehicle AS vehicle,
        d.day AS day,
        MIN(d.week) AS week,
        SUM(d.recorded_s) AS recorded_s,
        CAST(SUM(COALESCE(d.trips, 0)) AS BIGINT) AS trips,
        SUM(d.drive_s) AS drive_s,
        SUM(d.distance_m) AS distance_m,
        SUM(d.distance_assist_m) AS distance_assist_m,
        SUM(d.distance_unassisted_m) AS distance_unassisted_m,
        SUM(d.fuel_ml) AS fuel_ml,
        SUM(d.pack_out_wh) AS pack_out_wh,
        SUM(d.pack_in_driving_wh) AS pack_in_driving_wh,
        SUM(d.wall_wh) AS wall_wh,
        MAX(d.winding_max_c) AS winding_max_c,
        MAX(d.controller_max_c) AS controller_max_c,
        MIN(d.soc_min_pct) AS soc_min_pct,
        MAX(d.soc_max_pct) AS soc_max_pct
    FROM calendar AS c
    INNER JOIN days AS d ON d.day = c.day
    WHERE c.role = 'history'
    GROUP BY c.period, d.vehicle, d.day
),

rated AS (
    SELECT
        c.period AS period,
        s.vehicle AS vehicle,
        s.day AS day,
        SUM(CASE WHEN s.mode = 'all' THEN s.fuel_ml END) AS fuel_classed_ml,
        SUM(CASE WHEN s.mode = 'all' THEN s.fuel_seconds * r.fuel_ml / r.fuel_seconds END) AS expected_ml,
        SUM(CASE WHEN s.mode = 'assisted' THEN s.fuel_ml END) AS fuel_assist_classed_ml,
        SUM(CASE WHEN s.mode = 'assisted' THEN s.fuel_seconds * r.fuel_ml / r.fuel_seconds END) AS expected_assist_ml,
        SUM(CASE WHEN s.mode = 'unassisted' THEN s.fuel_ml END) AS fuel_unassisted_classed_ml,
        SUM(CASE WHEN s.mode = 'unassisted' THEN s.fuel_seconds * r.fuel_ml / r.fuel_seconds END) AS expected_unassisted_ml
    FROM calendar AS c
    INNER JOIN class_days AS s ON s.day = c.day
    INNER JOIN class_reference AS r ON r.period = c.period AND r.mode = s.mode AND r.class_km_h = s.class_km_h
    WHERE c.role = 'history' AND r.fuel_seconds > 0
    GROUP BY c.period, s.vehicle, s.day
),

shares AS (
    SELECT
        a.period AS period,
        a.class_km_h AS class_km_h,
        COALESCE(b.seconds, 0.0) / a.seconds AS assisted_share
    FROM (SELECT period, class_km_h, seconds FROM class_reference WHERE mode = 'all' AND seconds > 0) AS a
    LEFT JOIN (SELECT period, class_km_h, seconds FROM class_reference WHERE mode = 'assisted') AS b
        ON b.period = a.period AND b.class_km_h = a.class_km_h
),

helped AS (
    SELECT
        c.period AS period,
        s.vehicle AS vehicle,
        s.day AS day,
        SUM(CASE WHEN s.mode = 'assisted' THEN s.seconds ELSE 0.0 END) AS assisted_s,
        SUM(CASE WHEN s.mode = 'all' THEN s.seconds * h.assisted_share ELSE 0.0 END) AS expected_assisted_s
    FROM calendar AS c
    INNER JOIN class_days AS s ON s.day = c.day
    INNER JOIN shares AS h ON h.period = c.period AND h.class_km_h = s.class_km_h
    WHERE c.role = 'history'
    GROUP BY c.period, s.vehicle, s.day
)

SELECT
    d.period AS period,
    d.vehicle AS vehicle,
    d.week AS week,
    d.day AS day,
    d.recorded_s AS recorded_s,
    d.trips AS trips,
    d.drive_s AS drive_s,
    d.distance_m AS distance_m,
    d.distance_assist_m AS distance_assist_m,
    d.distance_unassisted_m AS distance_unassisted_m,
    d.fuel_ml AS fuel_ml,
    d.pack_out_wh AS pack_out_wh,
    d.pack_in_driving_wh AS pack_in_driving_wh,
    d.wall_wh AS wall_wh,
    d.winding_max_c AS winding_max_c,
    d.controller_max_c AS controller_max_c,
    d.soc_min_pct AS soc_min_pct,
    d.soc_max_pct AS soc_max_pct,
    r.fuel_classed_ml AS fuel_classed_ml,
    r.expected_ml AS expected_ml,
    r.fuel_assist_classed_ml AS fuel_assist_classed_ml,
    r.expected_assist_ml AS expected_assist_ml,
    r.fuel_unassisted_classed_ml AS fuel_unassisted_classed_ml,
    r.expected_unassisted_ml AS expected_unassisted_ml,
    h.assisted_s AS assisted_s,
    h.expected_assisted_s AS expected_assisted_s
FROM driven AS d
LEFT JOIN rated AS r ON r.period = d.period AND r.vehicle = d.vehicle AND r.day = d.day
LEFT JOIN helped AS h ON h.period = d.period AND h.vehicle = d.vehicle AND h.day = d.day

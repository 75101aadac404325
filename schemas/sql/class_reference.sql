-- class_reference: how the whole fleet drove over the reference days of each period, by mode and class of speed.
--
-- Reads class_days and calendar(period, day, role). It is what standardising puts every vehicle on: the same time in
-- every class. Time is pooled rather than distance, because standing has fuel and no distance; within a class 5 km/h
-- wide the two are the same but for that.
SELECT
    c.period AS period,
    s.mode AS mode,
    s.class_km_h AS class_km_h,
    SUM(s.distance_m) AS distance_m,
    SUM(s.seconds) AS seconds,
    SUM(s.fuel_ml) AS fuel_ml,
    SUM(s.fuel_seconds) AS fuel_seconds
FROM calendar AS c
INNER JOIN class_days AS s ON s.day = c.day
WHERE c.role = 'reference'
GROUP BY c.period, s.mode, s.class_km_h

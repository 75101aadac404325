-- class_days: what each vehicle did on each day in each class of speed, by state of the assist.
--
-- Reads speed_classes(vehicle, day, assist, class_km_h, distance_m, fuel_ml, fuel_distance_m, seconds), all sessions.
-- Gives one row a vehicle, day, mode and class; the mode `all` holds every state together, `assisted` and `unassisted`
-- those bins alone. `fuel_seconds` is the time for which the fuel is known: the time in the class, less the share of
-- its distance without fuel data; `fuel_distance_m` the distance that the fuel was for.
SELECT
    vehicle,
    day,
    mode,
    class_km_h,
    SUM(distance_m) AS distance_m,
    SUM(seconds) AS seconds,
    SUM(fuel_ml) AS fuel_ml,
    SUM(CASE WHEN fuel_ml IS NOT NULL THEN COALESCE(fuel_distance_m, 0.0) ELSE 0.0 END) AS fuel_distance_m,
    SUM(
        CASE
            WHEN fuel_ml IS NULL THEN 0.0
            WHEN distance_m > 0 THEN seconds * COALESCE(fuel_distance_m, 0.0) / distance_m
            ELSE seconds
        END
    ) AS fuel_seconds
FROM (
    SELECT vehicle, day, 'all' AS mode, class_km_h, distance_m, seconds, fuel_ml, fuel_distance_m
    FROM speed_classes
    UNION ALL
    SELECT vehicle, day, assist AS mode, class_km_h, distance_m, seconds, fuel_ml, fuel_distance_m
    FROM speed_classes
    WHERE assist IN ('assisted', 'unassisted')
) AS each_mode
WHERE class_km_h IS NOT NULL
GROUP BY vehicle, day, mode, class_km_h

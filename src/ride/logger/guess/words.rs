//! The trade's words: what loggers call the channels, in the languages that are met most.
//!
//! Common practice, no source; the names of SAE J1979 stand in `obd.rs`. Entries stand between
//! commas, without accents and in lower case; digits are words of their own.

use crate::ride::Channel;

/// What the channels are called. An entry's words must all stand in the title.
pub(super) const NAMES: [(Channel, &str); 16] = [
    (
        Channel::TimeS,
        "time, timestamp, time stamp, t, ts, t s, seconds, sec, s, milliseconds, millis, ms, \
         microseconds, elapsed, elapsed time, run time, log time, clock, time of day, date time, \
         datetime, zeit, uhrzeit, zeitstempel, laufzeit, temps, heure, horodatage, tiempo, hora, \
         tempo, ora",
    ),
    (
        Channel::Rpm,
        "rpm, engine rpm, engine speed, rev, revs, tach, drehzahl, motordrehzahl, regime, regime \
         moteur, tours moteur, revoluciones, regimen, giri, giri motore",
    ),
    (
        Channel::ThrottlePct,
        "throttle, tps, tp, throttle position, throttle opening, throttle angle, absolute throttle \
         position, drosselklappe, drosselklappenstellung, drosselklappenwinkel, gasgriff, papillon, \
         position papillon, ouverture papillon, mariposa, acelerador, farfalla",
    ),
    (
        Channel::MapKpa,
        "map, manifold pressure, intake manifold pressure, manifold absolute pressure, intake \
         manifold absolute pressure, inlet pressure, intake pressure, boost, boost pressure, vacuum, \
         manifold vacuum, saugrohrdruck, ladedruck, pression admission, pression collecteur, \
         depression, presion admision, presion colector, pressione collettore, pressione aspirazione",
    ),
    (
        Channel::Lambda,
        "lambda, afr, wideband, wb, wideband o 2, wbo 2, uego, air fuel ratio, a f ratio, a f, air \
         fuel, equivalence ratio, equiv ratio, fuel air equiv ratio, fuel air equivalence ratio, \
         phi, mixture, lambda wb, wb lambda, wb afr, o 2 lambda, lambdawert, luftzahl, gemisch, \
         richesse, mezcla, miscela",
    ),
    (
        Channel::EngineTempC,
        "ect, clt, coolant, coolant temp, coolant temperature, engine coolant temperature, water \
         temp, water temperature, engine temp, engine temperature, kuhlmittel, kuhlmitteltemperatur, \
         kuehlmitteltemperatur, kuhlmittel temperatur, wassertemperatur, motortemperatur, \
         temperature eau, temp eau, temperature moteur, temperature liquide, temperatura agua, \
         temperatura motor, temperatura refrigerante, temperatura acqua, temp acqua, temperatura \
         motore, temperatura liquido",
    ),
    (
        Channel::AirTempC,
        "iat, mat, air temp, air temperature, intake air temp, intake air temperature, intake temp, \
         intake temperature, inlet temp, inlet air temp, inlet air temperature, charge temp, \
         ansauglufttemperatur, ansaugluft temperatur, lufttemperatur, ansaugtemperatur, temperature \
         air, temp air, temperatura aire, temperatura aria, temp aria",
    ),
    (
        Channel::BaroKpa,
        "baro, barometer, barometric pressure, baro pressure, absolute barometric pressure, \
         atmospheric pressure, ambient pressure, atm pressure, luftdruck, umgebungsdruck, pression \
         atmospherique, presion atmosferica, pressione atmosferica",
    ),
    (
        Channel::PulseWidthMs,
        "pw, pulse width, pulsewidth, injector pulse width, injection time, inj time, inj pw, \
         injection duration, injector time, injector duration, inj duration, einspritzzeit, \
         einspritzdauer, temps injection, duree injection, tiempo inyeccion, tempo iniezione",
    ),
    (
        Channel::SparkDeg,
        "spark, ignition, spark advance, ignition advance, timing, ignition timing, spark timing, \
         timing advance, ignition timing advance, ignition angle, advance, ign, ign adv, zundwinkel, \
         zuendwinkel, zundung, vorzundung, avance, avance allumage, avance encendido, anticipo, \
         anticipo accensione",
    ),
    (
        Channel::SpeedKph,
        "speed, vehicle speed, road speed, ground speed, wheel speed, bike speed, vss, gps speed, \
         spd, velocity, geschwindigkeit, fahrgeschwindigkeit, vitesse, velocidad, velocita",
    ),
    (
        Channel::BatteryV,
        "battery, battery voltage, batt, bat, vbat, vbatt, v bat, battery v, batt v, batt volt, \
         control module voltage, module voltage, system voltage, supply voltage, ecu voltage, \
         voltage, volt, volts, batteriespannung, bordspannung, tension batterie, tension bateria, \
         tensione batteria",
    ),
    (Channel::Gear, "gear, gear position, gang, ganganzeige, rapport, rapport engage, marcha, marcia"),
    (
        Channel::FuelCut,
        "fuel cut, fuelcut, overrun cut, overrun fuel cut, decel cut, schubabschaltung, coupure \
         injection, corte inyeccion, taglio iniezione",
    ),
    (
        Channel::KnockCount,
        "knock, knock count, knock counter, knock events, klopfen, klopfzahler, cliquetis, \
         detonazione",
    ),
    (
        Channel::Slot,
        "slot, map number, map select, map switch, ecu map, engine mode, ride mode, riding mode, \
         power mode",
    ),
];

/// What serves where nothing better is logged.
pub(super) const SECOND_CHOICE: [(Channel, &str); 3] = [
    (
        Channel::EngineTempC,
        "oil temp, oil temperature, engine oil temperature, cylinder head temp, cht, cylinder head \
         temperature, head temp, head temperature, oltemperatur, oeltemperatur, ol temperatur, \
         temperature huile, temperatura aceite, temperatura olio",
    ),
    (
        Channel::AirTempC,
        "ambient temp, ambient temperature, ambient air temperature, outside temp, aussentemperatur",
    ),
    (Channel::Lambda, "o 2, o 2 sensor, oxygen sensor, oxygen"),
];

/// Words that others use for something else.
pub(super) const WEAK: [(Channel, &str); 3] =
    [(Channel::Rpm, "speed, n, tours"), (Channel::Slot, "map, mode"), (Channel::SpeedKph, "tempo")];

/// A wanted value, not a measured one.
pub(super) const TARGET_WORDS: &str = "target, tgt, desired, commanded, command, cmd, requested, wanted, setpoint, goal, soll, \
    sollwert, sp, req, request, ref, reference, aim, demand, cible, consigne, objetivo, obiettivo, ziel";

/// Words beside a name that change nothing.
pub(super) const FILLERS: &str = "engine, motor, moteur, motore, sensor, value, val, current, actual, measured, signal, ecu, of, \
    the, de, du, di, del, la, bank, position, pos, channel, absolute, abs, gauge, ist, 1, 0, \
    filtered, smoothed, cylinder, zylinder, front";

/// Words beside a name that make it something else.
pub(super) const SPOILERS: &str = "limit, max, min, maximum, minimum, peak, average, avg, mean, total, error, err, delta, diff, \
    correction, corr, cor, comp, compensation, enrichment, multiplier, trim, learn, offset, fuel, \
    acceleration, accel, rate, dot, gradient, status, state, pedal, catalyst, cat, exhaust, egt, \
    clutch, tire, tyre, count, duty, flow, mass, torque, consumption, distance, since, mil, codes, \
    power, level, price, time, pressure";

/// Words that make a lambda one of the closed loop or of the controller's model.
pub(super) const OF_THE_LOOP: &str = "integrator, control, controller, regulation, regulator, factor, learned, learning, \
    adapt, adaptation, adaption, adaptive, pid, mult, model, modelled, modeled, table, base, deviation, heater, regler, \
    regelung, faktor";

/// Words that make a throttle another one than the rider's.
pub(super) const OTHER_THROTTLES: &str = "relative, b, c, 2, second, secondary, sub, grip, twist";

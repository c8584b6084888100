"""The first tables: gear and care, rides and weather, reminders and letters."""

from services.store.migration_sql import create

revision = "0003"
down_revision = None

TABLES = """
CREATE TABLE chain (
  id {numbered}, name VARCHAR NOT NULL, name_key VARCHAR NOT NULL, regime VARCHAR NOT NULL, speeds INTEGER,
  links INTEGER, price FLOAT, acquired_at {instant}, retired_at {instant},
  CONSTRAINT pk_chain PRIMARY KEY (id),
  CONSTRAINT ck_chain_regime_known CHECK (regime IN ('waxed', 'wet lube')),
  CONSTRAINT ck_chain_links_possible CHECK (links >= 1 AND links <= 400),
  CONSTRAINT ck_chain_not_negative CHECK (price >= 0),
  CONSTRAINT ck_chain_ends_after_start CHECK (
    retired_at IS NULL OR acquired_at IS NULL OR retired_at >= acquired_at),
  CONSTRAINT ck_chain_speeds_possible CHECK (speeds >= 1 AND speeds <= 16),
  CONSTRAINT uq_chain_name_key UNIQUE (name_key)
);
CREATE TABLE correction (
  id {numbered}, made_at {instant} NOT NULL, made_by VARCHAR NOT NULL, what VARCHAR NOT NULL,
  restore JSON NOT NULL, undone_at {instant}, undone_by VARCHAR,
  CONSTRAINT pk_correction PRIMARY KEY (id)
);
CREATE TABLE file_path (
  path VARCHAR NOT NULL, size_bytes BIGINT NOT NULL, mtime_s FLOAT NOT NULL,
  CONSTRAINT pk_file_path PRIMARY KEY (path)
);
CREATE TABLE note (
  name VARCHAR NOT NULL, value JSON NOT NULL, written_at {instant} NOT NULL,
  CONSTRAINT pk_note PRIMARY KEY (name)
);
CREATE TABLE retraction (
  id {numbered}, kind VARCHAR NOT NULL, fact_id INTEGER NOT NULL, made_at {instant} NOT NULL,
  made_by VARCHAR NOT NULL, why VARCHAR NOT NULL, undone_at {instant}, undone_by VARCHAR,
  CONSTRAINT pk_retraction PRIMARY KEY (id)
);
CREATE INDEX ix_retraction_fact ON retraction (kind, fact_id);
CREATE TABLE rider (
  id {numbered}, name VARCHAR NOT NULL, name_key VARCHAR NOT NULL, email VARCHAR,
  time_zone VARCHAR NOT NULL,
  CONSTRAINT pk_rider PRIMARY KEY (id),
  CONSTRAINT uq_rider_name_key UNIQUE (name_key)
);
CREATE TABLE write_count (
  id {numbered}, writes BIGINT NOT NULL,
  CONSTRAINT pk_write_count PRIMARY KEY (id)
);
CREATE TABLE bike (
  id {numbered}, name VARCHAR NOT NULL, name_key VARCHAR NOT NULL, owner INTEGER NOT NULL,
  unpaved_share FLOAT NOT NULL, chainrings JSON NOT NULL, cogs JSON NOT NULL, wheel_circumference_m FLOAT,
  indoor BOOLEAN NOT NULL, from_at {instant}, until_at {instant},
  CONSTRAINT pk_bike PRIMARY KEY (id),
  CONSTRAINT ck_bike_unpaved_share_is_a_share CHECK (unpaved_share >= 0 AND unpaved_share <= 1),
  CONSTRAINT ck_bike_ends_after_start CHECK (until_at IS NULL OR from_at IS NULL OR until_at >= from_at),
  CONSTRAINT ck_bike_wheel_possible CHECK (wheel_circumference_m > 0.5 AND wheel_circumference_m < 3.5),
  CONSTRAINT fk_bike_owner FOREIGN KEY(owner) REFERENCES rider (id),
  CONSTRAINT uq_bike_name_key UNIQUE (name_key)
);
CREATE TABLE reading (
  id {numbered}, chain INTEGER NOT NULL, tool VARCHAR NOT NULL, taken_at {instant} NOT NULL, over_pct FLOAT,
  under_pct FLOAT, exact_pct FLOAT, note VARCHAR NOT NULL,
  CONSTRAINT pk_reading PRIMARY KEY (id),
  CONSTRAINT ck_reading_value_fits_tool CHECK (
    (tool = 'gauge' AND exact_pct IS NULL AND (over_pct IS NOT NULL OR under_pct IS NOT NULL))
    OR (tool <> 'gauge' AND exact_pct IS NOT NULL AND over_pct IS NULL AND under_pct IS NULL)),
  CONSTRAINT ck_reading_tool_known CHECK (tool IN ('gauge', 'ruler', 'caliper')),
  CONSTRAINT ck_reading_exact_possible CHECK (exact_pct > -1 AND exact_pct < 5),
  CONSTRAINT ck_reading_over_possible CHECK (over_pct >= 0 AND over_pct < 5),
  CONSTRAINT ck_reading_under_possible CHECK (under_pct > 0 AND under_pct < 5),
  CONSTRAINT ck_reading_interval_in_order CHECK (
    under_pct IS NULL OR over_pct IS NULL OR over_pct < under_pct),
  CONSTRAINT fk_reading_chain FOREIGN KEY(chain) REFERENCES chain (id)
);
CREATE INDEX ix_reading_chain ON reading (chain);
CREATE TABLE treatment (
  id {numbered}, chain INTEGER NOT NULL, kind VARCHAR NOT NULL, done_at {instant} NOT NULL, minutes FLOAT,
  cost FLOAT, note VARCHAR NOT NULL,
  CONSTRAINT pk_treatment PRIMARY KEY (id),
  CONSTRAINT ck_treatment_kind_known CHECK (kind IN ('strip', 'immersion', 'drip', 'wipe', 'oil', 'clean')),
  CONSTRAINT ck_treatment_not_negative CHECK (minutes >= 0 AND cost >= 0),
  CONSTRAINT fk_treatment_chain FOREIGN KEY(chain) REFERENCES chain (id)
);
CREATE INDEX ix_treatment_chain ON treatment (chain);
CREATE TABLE wipe_test (
  id {numbered}, chain INTEGER NOT NULL, done_at {instant} NOT NULL, grade INTEGER NOT NULL,
  CONSTRAINT pk_wipe_test PRIMARY KEY (id),
  CONSTRAINT ck_wipe_test_grade_0_to_4 CHECK (grade >= 0 AND grade <= 4),
  CONSTRAINT fk_wipe_test_chain FOREIGN KEY(chain) REFERENCES chain (id)
);
CREATE INDEX ix_wipe_test_chain ON wipe_test (chain);
CREATE TABLE fitting (
  id {numbered}, chain INTEGER NOT NULL, bike INTEGER NOT NULL, fitted_at {instant} NOT NULL,
  removed_at {instant},
  CONSTRAINT pk_fitting PRIMARY KEY (id),
  CONSTRAINT ck_fitting_ends_after_start CHECK (
    removed_at IS NULL OR fitted_at IS NULL OR removed_at >= fitted_at),
  CONSTRAINT fk_fitting_bike FOREIGN KEY(bike) REFERENCES bike (id),
  CONSTRAINT fk_fitting_chain FOREIGN KEY(chain) REFERENCES chain (id)
);
CREATE INDEX ix_fitting_bike ON fitting (bike);
CREATE INDEX ix_fitting_chain ON fitting (chain);
CREATE TABLE sensor (
  id {numbered}, kind VARCHAR NOT NULL, identity VARCHAR NOT NULL, bike INTEGER NOT NULL, from_at {instant},
  until_at {instant},
  CONSTRAINT pk_sensor PRIMARY KEY (id),
  CONSTRAINT ck_sensor_ends_after_start CHECK (until_at IS NULL OR from_at IS NULL OR until_at >= from_at),
  CONSTRAINT fk_sensor_bike FOREIGN KEY(bike) REFERENCES bike (id)
);
CREATE INDEX ix_sensor_identity ON sensor (identity);
INSERT INTO write_count (id, writes) VALUES (1, 0);
CREATE TABLE hourly_weather (
  id {numbered}, latitude_deg FLOAT NOT NULL, longitude_deg FLOAT NOT NULL, hour_start {instant} NOT NULL,
  source VARCHAR NOT NULL, model VARCHAR NOT NULL, tier VARCHAR NOT NULL, fetched_at {instant} NOT NULL,
  checked_at {instant} NOT NULL, checks INTEGER NOT NULL, is_current BOOLEAN NOT NULL, rain_mm FLOAT,
  snowfall_cm FLOAT, temperature_c FLOAT, humidity_pct FLOAT, wind_10m_mps FLOAT, shortwave_wm2 FLOAT,
  soil_moisture_m3m3 FLOAT, et0_mm FLOAT, pressure_kpa FLOAT,
  CONSTRAINT pk_hourly_weather PRIMARY KEY (id),
  CONSTRAINT ck_hourly_weather_tier_known CHECK (tier IN ('final', 'preliminary', 'the rider''s word')),
  CONSTRAINT ck_hourly_weather_humidity_possible CHECK (humidity_pct >= 0 AND humidity_pct <= 110),
  CONSTRAINT ck_hourly_weather_not_negative CHECK (
    rain_mm >= 0 AND snowfall_cm >= 0 AND wind_10m_mps >= 0 AND soil_moisture_m3m3 >= 0
    AND pressure_kpa >= 0),
  CONSTRAINT ck_hourly_weather_temperature_possible CHECK (temperature_c > -100 AND temperature_c < 70)
);
CREATE INDEX ix_hourly_weather_nulls ON hourly_weather (fetched_at) WHERE is_current AND rain_mm IS NULL;
CREATE UNIQUE INDEX uq_hourly_weather_current ON hourly_weather (latitude_deg, longitude_deg, hour_start,
  source, model) WHERE is_current;
CREATE TABLE weather_block (
  id {numbered}, source VARCHAR NOT NULL, latitude_deg FLOAT NOT NULL, longitude_deg FLOAT NOT NULL,
  first_day DATE NOT NULL, last_day DATE NOT NULL, tier VARCHAR NOT NULL, fetched_at {instant} NOT NULL,
  complete BOOLEAN NOT NULL,
  CONSTRAINT pk_weather_block PRIMARY KEY (id),
  CONSTRAINT ck_weather_block_tier_known CHECK (tier IN ('final', 'preliminary', 'the rider''s word')),
  CONSTRAINT ck_weather_block_days_in_order CHECK (last_day >= first_day)
);
CREATE INDEX ix_weather_block_cell ON weather_block (source, latitude_deg, longitude_deg);
CREATE TABLE ride (
  id {numbered}, rider INTEGER NOT NULL, file_name VARCHAR NOT NULL, started_at {instant} NOT NULL,
  ended_at {instant} NOT NULL, title VARCHAR NOT NULL, drive_s FLOAT NOT NULL, drive_low_s FLOAT NOT NULL,
  drive_high_s FLOAT NOT NULL, drive_method VARCHAR NOT NULL, moving_s FLOAT NOT NULL,
  distance_m FLOAT NOT NULL, climb_m FLOAT NOT NULL, indoor BOOLEAN NOT NULL, "virtual" BOOLEAN NOT NULL,
  unpaved_share_from_file FLOAT, sport VARCHAR, sub_sport VARCHAR, profile_name VARCHAR,
  drive_parts JSON NOT NULL, reader VARCHAR NOT NULL, damage JSON NOT NULL, dropped JSON NOT NULL,
  bike INTEGER, decided_by VARCHAR, verdict VARCHAR, unpaved_share FLOAT, word VARCHAR, same_as INTEGER,
  CONSTRAINT pk_ride PRIMARY KEY (id),
  CONSTRAINT ck_ride_decided_by_known CHECK (decided_by IN ('sensor', 'only bike', 'evidence', 'rider')),
  CONSTRAINT ck_ride_drive_method_known CHECK (
    drive_method IN ('cadence', 'required power', 'share of moving time')),
  CONSTRAINT ck_ride_verdict_known CHECK (verdict IN ('certain', 'likely', 'ask')),
  CONSTRAINT ck_ride_word_known CHECK (word IN ('wet', 'damp', 'dry', 'dusty', 'muddy', 'unknown')),
  CONSTRAINT ck_ride_not_negative CHECK (
    drive_s >= 0 AND drive_low_s >= 0 AND drive_high_s >= 0 AND moving_s >= 0 AND distance_m >= 0
    AND climb_m >= 0),
  CONSTRAINT ck_ride_ends_after_start CHECK (
    ended_at IS NULL OR started_at IS NULL OR ended_at >= started_at),
  CONSTRAINT ck_ride_unpaved_share_is_a_share CHECK (unpaved_share >= 0 AND unpaved_share <= 1),
  CONSTRAINT fk_ride_bike FOREIGN KEY(bike) REFERENCES bike (id),
  CONSTRAINT fk_ride_rider FOREIGN KEY(rider) REFERENCES rider (id),
  CONSTRAINT fk_ride_same_as FOREIGN KEY(same_as) REFERENCES ride (id)
);
CREATE INDEX ix_ride_bike_started_at ON ride (bike, started_at);
CREATE INDEX ix_ride_rider_started_at ON ride (rider, started_at);
CREATE INDEX ix_ride_started_at ON ride (started_at);
CREATE TABLE file_seen (
  id {numbered}, sha256 VARCHAR NOT NULL, name VARCHAR NOT NULL, size_bytes BIGINT NOT NULL,
  seen_at {instant} NOT NULL, outcome VARCHAR NOT NULL, why VARCHAR NOT NULL, try_this VARCHAR NOT NULL,
  ride INTEGER,
  CONSTRAINT pk_file_seen PRIMARY KEY (id),
  CONSTRAINT ck_file_seen_not_negative CHECK (size_bytes >= 0),
  CONSTRAINT fk_file_seen_ride FOREIGN KEY(ride) REFERENCES ride (id),
  CONSTRAINT uq_file_seen_sha256 UNIQUE (sha256)
);
CREATE INDEX ix_file_seen_ride ON file_seen (ride);
CREATE TABLE ride_assignment (
  id {numbered}, ride INTEGER NOT NULL, bike INTEGER, decided_by VARCHAR, probability FLOAT,
  verdict VARCHAR NOT NULL, evidence VARCHAR NOT NULL, made_at {instant} NOT NULL, made_by VARCHAR NOT NULL,
  is_undone BOOLEAN NOT NULL, undoes INTEGER,
  CONSTRAINT pk_ride_assignment PRIMARY KEY (id),
  CONSTRAINT ck_ride_assignment_decided_by_known CHECK (
    decided_by IN ('sensor', 'only bike', 'evidence', 'rider')),
  CONSTRAINT ck_ride_assignment_verdict_known CHECK (verdict IN ('certain', 'likely', 'ask')),
  CONSTRAINT ck_ride_assignment_probability_is_a_share CHECK (probability >= 0 AND probability <= 1),
  CONSTRAINT fk_ride_assignment_bike FOREIGN KEY(bike) REFERENCES bike (id),
  CONSTRAINT fk_ride_assignment_ride FOREIGN KEY(ride) REFERENCES ride (id),
  CONSTRAINT fk_ride_assignment_undoes FOREIGN KEY(undoes) REFERENCES ride_assignment (id)
);
CREATE INDEX ix_ride_assignment_ride ON ride_assignment (ride);
CREATE TABLE ride_hour (
  id {numbered}, ride INTEGER NOT NULL, hour_start {instant} NOT NULL, drive_s FLOAT NOT NULL,
  distance_m FLOAT NOT NULL, moving_s FLOAT NOT NULL, mean_speed_mps FLOAT, latitude_deg FLOAT,
  longitude_deg FLOAT, climb_m FLOAT NOT NULL,
  CONSTRAINT pk_ride_hour PRIMARY KEY (id),
  CONSTRAINT ck_ride_hour_not_negative CHECK (
    drive_s >= 0 AND distance_m >= 0 AND moving_s >= 0 AND mean_speed_mps >= 0 AND climb_m >= 0),
  CONSTRAINT ck_ride_hour_latitude_possible CHECK (latitude_deg >= -90 AND latitude_deg <= 90),
  CONSTRAINT ck_ride_hour_longitude_possible CHECK (longitude_deg >= -180 AND longitude_deg <= 180),
  CONSTRAINT fk_ride_hour_ride FOREIGN KEY(ride) REFERENCES ride (id),
  CONSTRAINT uq_ride_hour_ride_hour_start UNIQUE (ride, hour_start)
);
CREATE TABLE ride_sensor (
  id {numbered}, ride INTEGER NOT NULL, recorder BOOLEAN NOT NULL, kind VARCHAR NOT NULL, identity VARCHAR,
  serial BIGINT, ant_number BIGINT, manufacturer VARCHAR, product VARCHAR, battery VARCHAR,
  CONSTRAINT pk_ride_sensor PRIMARY KEY (id),
  CONSTRAINT fk_ride_sensor_ride FOREIGN KEY(ride) REFERENCES ride (id)
);
CREATE INDEX ix_ride_sensor_identity ON ride_sensor (identity);
CREATE INDEX ix_ride_sensor_ride ON ride_sensor (ride);
CREATE TABLE ride_track (
  ride INTEGER NOT NULL, track {bytes} NOT NULL, sketch {bytes} NOT NULL, clues VARCHAR NOT NULL,
  CONSTRAINT pk_ride_track PRIMARY KEY (ride),
  CONSTRAINT fk_ride_track_ride FOREIGN KEY(ride) REFERENCES ride (id)
);
CREATE TABLE ride_word (
  id {numbered}, ride INTEGER NOT NULL, about VARCHAR NOT NULL, said VARCHAR, made_at {instant} NOT NULL,
  made_by VARCHAR NOT NULL,
  CONSTRAINT pk_ride_word PRIMARY KEY (id),
  CONSTRAINT ck_ride_word_about_known CHECK (about IN ('conditions', 'unpaved share')),
  CONSTRAINT fk_ride_word_ride FOREIGN KEY(ride) REFERENCES ride (id)
);
CREATE INDEX ix_ride_word_ride ON ride_word (ride);
CREATE TABLE same_outing (
  id {numbered}, kept INTEGER NOT NULL, other INTEGER NOT NULL, because JSON NOT NULL,
  made_at {instant} NOT NULL, made_by VARCHAR NOT NULL, split_at {instant}, split_by VARCHAR,
  CONSTRAINT pk_same_outing PRIMARY KEY (id),
  CONSTRAINT ck_same_outing_two_rides CHECK (kept <> other),
  CONSTRAINT fk_same_outing_kept FOREIGN KEY(kept) REFERENCES ride (id),
  CONSTRAINT fk_same_outing_other FOREIGN KEY(other) REFERENCES ride (id)
);
CREATE INDEX ix_same_outing_kept ON same_outing (kept);
CREATE INDEX ix_same_outing_other ON same_outing (other);
CREATE TABLE condition_tag (
  id {numbered}, ride_hour INTEGER NOT NULL, is_current BOOLEAN NOT NULL, made_at {instant} NOT NULL,
  checked_at {instant} NOT NULL, paved_water FLOAT, unpaved_water FLOAT, mud FLOAT, dust FLOAT,
  confidence FLOAT NOT NULL, tier VARCHAR NOT NULL, rain_mm FLOAT, rain_before_mm FLOAT,
  source VARCHAR NOT NULL, fetched_at {instant}, because VARCHAR NOT NULL, frost BOOLEAN NOT NULL,
  CONSTRAINT pk_condition_tag PRIMARY KEY (id),
  CONSTRAINT ck_condition_tag_tier_known CHECK (tier IN ('final', 'preliminary', 'the rider''s word')),
  CONSTRAINT ck_condition_tag_confidence_is_a_share CHECK (confidence >= 0 AND confidence <= 1),
  CONSTRAINT ck_condition_tag_dust_0_to_3 CHECK (dust >= 0 AND dust <= 3),
  CONSTRAINT ck_condition_tag_mud_is_a_share CHECK (mud >= 0 AND mud <= 1),
  CONSTRAINT ck_condition_tag_paved_water_is_a_share CHECK (paved_water >= 0 AND paved_water <= 1),
  CONSTRAINT ck_condition_tag_not_negative CHECK (rain_mm >= 0 AND rain_before_mm >= 0),
  CONSTRAINT ck_condition_tag_unpaved_water_is_a_share CHECK (unpaved_water >= 0 AND unpaved_water <= 1),
  CONSTRAINT fk_condition_tag_ride_hour FOREIGN KEY(ride_hour) REFERENCES ride_hour (id)
);
CREATE INDEX ix_condition_tag_ride_hour ON condition_tag (ride_hour);
CREATE UNIQUE INDEX uq_condition_tag_current ON condition_tag (ride_hour) WHERE is_current;
CREATE TABLE letter (
  id {numbered}, rider INTEGER NOT NULL, channel VARCHAR NOT NULL, addressed_to VARCHAR NOT NULL,
  subject VARCHAR NOT NULL, text VARCHAR NOT NULL, html VARCHAR NOT NULL, facts VARCHAR NOT NULL,
  due_at {instant}, message_id VARCHAR NOT NULL, queued_at {instant} NOT NULL,
  not_before {instant} NOT NULL, leased_until {instant}, attempts INTEGER NOT NULL,
  last_why VARCHAR NOT NULL, delivered_at {instant}, refused_at {instant}, cancelled_at {instant},
  CONSTRAINT pk_letter PRIMARY KEY (id),
  CONSTRAINT ck_letter_attempts_counted CHECK (attempts >= 0),
  CONSTRAINT fk_letter_rider FOREIGN KEY(rider) REFERENCES rider (id),
  CONSTRAINT uq_letter_message_id UNIQUE (message_id)
);
CREATE INDEX ix_letter_rider ON letter (rider);
CREATE INDEX ix_letter_waiting ON letter (not_before) WHERE delivered_at IS NULL AND refused_at IS NULL AND
  cancelled_at IS NULL;
CREATE TABLE reminder (
  id {numbered}, cause_key VARCHAR NOT NULL, is_open BOOLEAN NOT NULL, kind VARCHAR NOT NULL,
  chain INTEGER NOT NULL, rider INTEGER NOT NULL, bike INTEGER, cause_at {instant} NOT NULL,
  headline VARCHAR NOT NULL, sentence VARCHAR NOT NULL, total FLOAT NOT NULL, limit_value FLOAT NOT NULL,
  unit VARCHAR NOT NULL, unknown_h FLOAT NOT NULL, rulebook_version VARCHAR NOT NULL,
  urgency INTEGER NOT NULL,
  CONSTRAINT pk_reminder PRIMARY KEY (id),
  CONSTRAINT ck_reminder_kind_known CHECK (
    kind IN ('wipe and drip', 'drip', 're-immersion', 'inspection', 'replacement')),
  CONSTRAINT fk_reminder_bike FOREIGN KEY(bike) REFERENCES bike (id),
  CONSTRAINT fk_reminder_chain FOREIGN KEY(chain) REFERENCES chain (id),
  CONSTRAINT fk_reminder_rider FOREIGN KEY(rider) REFERENCES rider (id)
);
CREATE INDEX ix_reminder_cause_key ON reminder (cause_key);
CREATE INDEX ix_reminder_chain ON reminder (chain);
CREATE INDEX ix_reminder_rider ON reminder (rider);
CREATE UNIQUE INDEX uq_reminder_open_cause ON reminder (cause_key) WHERE is_open;
CREATE TABLE letter_reminder (
  letter INTEGER NOT NULL, reminder INTEGER NOT NULL,
  CONSTRAINT pk_letter_reminder PRIMARY KEY (letter, reminder),
  CONSTRAINT fk_letter_reminder_letter FOREIGN KEY(letter) REFERENCES letter (id),
  CONSTRAINT fk_letter_reminder_reminder FOREIGN KEY(reminder) REFERENCES reminder (id)
);
CREATE INDEX ix_letter_reminder_reminder ON letter_reminder (reminder);
CREATE TABLE reminder_reason (
  id {numbered}, reminder INTEGER NOT NULL, position INTEGER NOT NULL, at {instant} NOT NULL,
  text VARCHAR NOT NULL, ride INTEGER, condition_word VARCHAR, drive_h FLOAT, weight FLOAT, grit_h FLOAT,
  total FLOAT, weather VARCHAR NOT NULL,
  CONSTRAINT pk_reminder_reason PRIMARY KEY (id),
  CONSTRAINT ck_reminder_reason_condition_known CHECK (
    condition_word IN ('wet', 'damp', 'dry', 'dusty', 'muddy', 'unknown')),
  CONSTRAINT fk_reminder_reason_reminder FOREIGN KEY(reminder) REFERENCES reminder (id),
  CONSTRAINT fk_reminder_reason_ride FOREIGN KEY(ride) REFERENCES ride (id),
  CONSTRAINT uq_reminder_reason_reminder_position UNIQUE (reminder, position)
);
CREATE TABLE reminder_step (
  id {numbered}, reminder INTEGER NOT NULL, step VARCHAR NOT NULL, at {instant} NOT NULL,
  made_by VARCHAR NOT NULL, why VARCHAR NOT NULL, put_off_until {instant}, treatment INTEGER,
  CONSTRAINT pk_reminder_step PRIMARY KEY (id),
  CONSTRAINT ck_reminder_step_step_known CHECK (
    step IN ('raised', 'told', 'worse', 'done', 'put off', 'dismissed', 'withdrawn')),
  CONSTRAINT fk_reminder_step_reminder FOREIGN KEY(reminder) REFERENCES reminder (id),
  CONSTRAINT fk_reminder_step_treatment FOREIGN KEY(treatment) REFERENCES treatment (id)
);
CREATE INDEX ix_reminder_step_reminder ON reminder_step (reminder)
"""


def upgrade() -> None:
    create(TABLES)

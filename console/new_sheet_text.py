"""The text of a new car sheet: every key there is, with its unit and meaning. A test holds it against the model.

Keys that every car needs stand there with an example's values; all others stand behind "# ", one a line, with their
defaults or, where there is none, an example. `COLUMNS_MARK` is the line behind which the columns of a log are proposed.
"""

from __future__ import annotations

COLUMNS_MARK = "[log.columns]\n"

TEMPLATE = """\
# A car sheet. What stands here without a "#" is an example: put in your own car's values. A line behind "# " is a key
# that may be left out; the value shown is its default or, where none is used, an example.
# Check it with "damperwatch sheet THIS_FILE": mistakes come all at once, and what follows from it shows a wrong unit.
#
# Units stand in the names: lengths mm, forces N, rates N/mm, velocities mm/s, masses kg. Travel is the damper's:
# 0 at static ride height on the flat patch, positive in compression. x forward, y left, z up. FL is front left.

[car]
name = "Example car"
mass_kg = 1250.0                       # with driver and half the fuel
front_share = 0.48                     # of the static weight, on the front axle, 0 to 1
wheelbase_mm = 2700.0
track_front_mm = 1650.0
track_rear_mm = 1640.0
# centre_of_gravity_height_mm = 430.0  # above the road, static; without it load transfers are unknown
# ride_height_front_mm = 84.0          # underside above the road at the front axle line, static; for rake
# ride_height_rear_mm = 105.0          # both or neither

# What a reference stint is good for, in your own words; one of another name is not used.
# [stint]
# circuit = ""
# set_up = ""

# ---------------------------------------------------------------- suspension, per axle

[axle.front]
motion_ratio_damper_per_wheel = 0.80   # damper travel per wheel travel, or a table [[wheel mm, ratio], ...]
# damper_against_wheel_mm = [[-40.0, -31.0], [0.0, 0.0], [40.0, 33.0]]   # instead: [wheel mm, damper mm], from static
travel_to_full_bump_mm = 46.0          # damper travel from static to metal
travel_to_full_droop_mm = 40.0         # damper travel from static to full length
# tyre_rate_n_mm = 265.0               # vertical; without it tyres are taken as rigid
# tyre_growth_mm_at_100_m_s = 0.0      # radius gained by spinning at 100 m/s; grows with speed squared
# unsprung_mass_kg = 0.0               # of one corner: wheel, hub, brake, half of the links
# anti_roll_bar_n_mm = 0.0             # at the wheel, both wheels moving equally and oppositely
# roll_centre_height_mm = 0.0          # above the road; its share of load transfer passes the springs by
# unsprung_centre_height_mm = 0.0      # of the unsprung mass, above the road
# anti_dive_percent = 0.0              # of the transfer in braking that the links carry (front)
# anti_lift_percent = 0.0              # of the transfer in braking (rear)
# anti_squat_percent = 0.0             # of the transfer in driving (rear)

[axle.front.spring]                    # one spring, at the damper: a rate or a table
rate_n_mm = 150.0
# table = [[-40.0, 0.0], [0.0, 3600.0], [46.0, 8200.0]]   # instead of the rate: [damper mm from static, N]
# preload_n = 120.0                    # its force at full droop; held against the weight by "damperwatch sheet"

# [axle.front.bump_stop]
# gap_mm = 28.0                        # damper travel from static to contact
# force = [[0.0, 0.0], [6.0, 620.0], [12.0, 4200.0]]   # [compression of the stop mm, N], from [0, 0] on
# hysteresis = 0.0                     # share of the force that is missing while the stop opens, 0 to 0.9

# [axle.front.droop_stop]
# gap_mm = 32.0                        # damper travel from static down to contact
# force = [[0.0, 0.0], [3.0, 900.0], [6.0, 3600.0]]   # as above; without it loads at full droop are unknown

# [axle.front.damper]
# curve = [[-600.0, -2300.0], [-50.0, -600.0], [0.0, 0.0], [50.0, 430.0], [600.0, 1680.0]]   # [mm/s, N], through [0, 0]

[axle.rear]                            # the same keys as in front
motion_ratio_damper_per_wheel = 0.86
travel_to_full_bump_mm = 50.0
travel_to_full_droop_mm = 44.0

[axle.rear.spring]
rate_n_mm = 142.0

# ---------------------------------------------------------------- corners and their sensors

# [corner.FL]
# corner_weight_kg = 300.0             # on the scales, static; for all four corners or for none
# Any key of the axle's suspension that differs at this corner:
# motion_ratio_damper_per_wheel = 0.80
# damper_against_wheel_mm = [[-40.0, -31.0], [0.0, 0.0], [40.0, 33.0]]
# travel_to_full_bump_mm = 46.0
# travel_to_full_droop_mm = 40.0
# spring = { rate_n_mm = 150.0 }
# bump_stop = { gap_mm = 28.0, force = [[0.0, 0.0], [6.0, 620.0], [12.0, 4200.0]] }
# droop_stop = { gap_mm = 32.0, force = [[0.0, 0.0], [3.0, 900.0], [6.0, 3600.0]] }
# damper = { curve = [[-600.0, -2300.0], [0.0, 0.0], [600.0, 1680.0]] }
# tyre_rate_n_mm = 265.0
# tyre_growth_mm_at_100_m_s = 3.0
# unsprung_mass_kg = 47.0

[corner.FL.sensor]
# kind = "linear"                      # or "rotary"
unit = "mm"                            # what it reads: mm, cm, m, inch, V, mV, counts; rotary: V, mV, counts, deg, rad
# points = [[0.5, -50.0], [4.5, 50.0]] # two [reading, position] pairs; position mm, or degrees of a rotary sensor
# lever = { radius_mm = 52.0, angle_at_zero_deg = 0.0 }   # rotary: its lever, or instead of it:
# table = [[-60.0, -45.0], [0.0, 0.0], [60.0, 45.0]]      # rotary: [degrees, mm at the sensor]
# compression = "increases"            # the sensor's mm when the damper is compressed, or "decreases"
# zero_mm = 0.0                        # the sensor's mm at static; "damperwatch zero" measures and writes it
# damper_per_sensor = 1.0              # damper mm per sensor mm, or a table [[sensor mm, damper mm], ...]
# reading_range = [0.3, 4.7]           # readings outside are an open or short circuit
# open_circuit_reads = "high"          # or "low": where a broken wire goes

[corner.FR.sensor]
unit = "mm"

[corner.RL.sensor]
unit = "mm"

[corner.RR.sensor]
unit = "mm"

# ---------------------------------------------------------------- logs: CSV, Parquet or HDF5

[log]
time = { column = "time", unit = "s" } # s, ms, us or ns; a jump of it is missing samples
# counter = { column = "n", wraps_at = 65536 }   # instead of time: the logger's sample counter; then rate_hz is needed
# rate_hz = 500.0                      # samples a second; measured when there is a time column
# delimiter = ","                      # of CSV: , ; tab (\\t) | or blank
# decimal = "."                        # or ","
# skip_lines = 0                       # lines before that of the column names
# lines_after_names = 0                # lines of units between names and numbers

[log.columns]
damper_FL = "damper_FL"                # the column's name; its unit is the sensor's
damper_FR = "damper_FR"
damper_RL = "damper_RL"
damper_RR = "damper_RR"
# With more to it: value = ((number in the file) x scale + offset) x unit.
# speed = { column = "speed", unit = "km/h", scale = 1.0, offset = 0.0 }     # m/s, km/h or mph
# acceleration_longitudinal = { column = "acceleration_x", unit = "g" }     # m/s2 or g; forward
# acceleration_lateral = { column = "acceleration_y", unit = "g" }          # to the left
# acceleration_vertical = { column = "acceleration_z", unit = "g" }         # up, 0 at rest
# lap_number = "lap"                   # changes when a lap begins
# lap_marker = "marker"                # or: not 0 where a lap begins
# lap_distance = { column = "distance", unit = "m" }                        # m, km, mm or ft; from the lap's start

# ---------------------------------------------------------------- the platform: named points of the underside

# [platform.splitter]
# x_mm = 800.0                         # forward of the front axle line
# y_mm = 0.0                           # to the left of the centre line
# static_height_mm = 80.0              # above the road
# lowest_mm = 30.0                     # the limit

# ---------------------------------------------------------------- a live link, for "watch" (docs/wiring.md)

# [link]
# serial = { port = "/dev/serial/by-id/your-receiver", baud = 921600 }
# mqtt = { host = "192.0.2.10", port = 1883, topic = "car/dampers", keep_alive_s = 5 }   # instead of serial
# format = "packed"                    # packed, text, record, json or cbor
# rate_hz = 500.0                      # needed by text and record
# stream = 1                           # take only packed frames of this stream, 0 to 255
# fields = ["counter", "damper_FL", "damper_FR", "damper_RL", "damper_RR"]   # of text and record, in order
# counter_wraps_at = 65536             # the counter starts again at 0 there
# delimiter = ","                      # of text
# checksum = "none"                    # of text: or "crc16"
# record = "<Ihhhh"                    # of record: its layout, as for Python's struct
# sync = "a55a"                        # of record: the bytes before each, in hex
# longest_frame = 65536                # bytes
# reorder_s = 0.1                      # sample time within which frames are put in order
# [link.mqtt]
# client_id = "monitor"                # the name this program has with the broker
# status_topic = "car/status"          # where the broker tells others that this program is there, or gone

# Where --publish puts alerts (docs/pit-wall.md). All keys but topic are those of any broker, link.mqtt's too.
# [pit_wall]
# host = "192.0.2.10"
# port = 1883
# topic = "pit/car"
# user = "wall"
# password_variable = "BROKER_PASSWORD"   # the environment variable that holds it; or instead of it:
# password_file = "/etc/wall.password"
# tls = false
# tls_authority_file = "/etc/broker.pem"  # the authority that signed the broker's certificate
# keep_alive_s = 5                     # after twice this a silent monitor is told to be gone

# ---------------------------------------------------------------- the day's air

# [air]
# density_kg_m3 = 1.225                # or what it follows from; without both the standard atmosphere at sea level
# temperature_c = 15.0
# pressure_hpa = 1013.25               # at the circuit, not reduced to sea level
# humidity_percent = 50.0              # relative; only beside temperature and pressure

# ---------------------------------------------------------------- how figures are made

# [velocity]
# bandwidth_hz = 30.0                  # motion up to here is kept within 5 %
# low_speed_compression_mm_s = 50      # where low speed ends
# low_speed_rebound_mm_s = 50
# report_bin_mm_s = 10                 # width of the histogram's bins in the results

# [statistics]
# slowest_counted_m_s = 8.0            # below it the car is not running and nothing is counted
# rolling_window_s = 30.0              # how far the board's pyramids look back

# [laps]
# slow_lap_ratio = 1.12                # a lap so much slower or shorter than usual is not compared
# stopped_below_m_s = 3.0              # a lap with a stop is not compared either
# stopped_for_s = 2.0
# longest_gap_s = 0.5                  # nor one with a longer gap in its samples
# most_missing_share = 0.05            # nor one that misses more of them
# shortest_lap_s = 15.0                # a marker sooner than this is ignored

# [regimes]
# braking_above_m_s2 = 3.0             # what counts as braking, and as cornering
# cornering_above_m_s2 = 3.0

# [downforce]                          # which stretches are steady enough to weigh the air with
# window_s = 0.5                       # how long one is
# slowest_m_s = 20.0
# most_lateral_m_s2 = 5.0
# most_longitudinal_m_s2 = 4.0
# most_damper_speed_mm_s = 150.0       # RMS over the stretch
# most_stop_share = 0.3                # of the axle's load, on its bump stops
# least_windows = 30                   # fewer give no number
# least_speed_ratio = 1.3              # fastest over slowest stretch

# ---------------------------------------------------------------- alerts
# "trip" is where an alert begins, "clear" where it ends. All times are sample time.

# [alerts.bump_stop]
# enabled = true
# longest_contact_s = 0.25             # one contact as long as this trips
# trip_time_per_lap_s = 2.0            # or so much contact in a lap
# clear_time_per_lap_s = 1.0
# trip_contacts_per_lap = 40           # or so many
# clear_contacts_per_lap = 20
# release_mm = 0.2                     # a contact ends this far off the stop
# clear_without_laps_s = 90.0          # a clean time that clears where there are no laps

# [alerts.top_out]                     # the damper at its full length
# enabled = true
# longest_contact_s = 1.0
# trip_time_per_lap_s = 1.5
# clear_time_per_lap_s = 0.75
# trip_contacts_per_lap = 30
# clear_contacts_per_lap = 15
# release_mm = 0.2
# clear_without_laps_s = 90.0
# within_mm = 0.5                      # without a droop stop: so near to full droop counts

# [alerts.platform_low]                # the limits are those of the platform's points
# enabled = true
# on_delay_s = 0.075                   # how much longer below the limit than above it
# off_delay_s = 0.5                    # how long clear of it
# clear_above_limit_mm = 2.0
# kerb_warp_mm = 12.0                  # warp beyond this is a wheel on a kerb

# [alerts.asymmetry]                   # left against right, over timed laps
# enabled = true
# trip_percent = 12.0                  # difference of mean speed beyond what both axles share
# clear_percent = 7.0
# trip_distance = 0.2                  # distance of the two distributions over their mean speed
# clear_distance = 0.12
# trip_percent_from_reference = 8.0    # beyond a reference stint's own difference
# clear_percent_from_reference = 5.0
# trip_balance_percent = 8.0           # compression over rebound, left against right
# clear_balance_percent = 5.0
# trip_balance_percent_from_reference = 6.0
# clear_balance_percent_from_reference = 4.0
# laps_beyond = 2                      # so many laps ...
# laps_watched = 3                     # ... of so many trip
# laps_to_clear = 2
# least_time_per_lap_s = 15.0          # counted time that a lap needs

# [alerts.drift]                       # one damper changes against the stint's first laps, or a reference
# enabled = true
# reference_laps = 8
# warm_up_laps = 2                     # timed laps after the out-lap that are not taken for it

# [alerts.sensor]
# enabled = true
# on_delay_s = 0.2                     # how long a reading must be impossible or missing
# spikes_to_trip = 5                   # or so many spikes ...
# spike_window_s = 2.0                 # ... within this time
# off_delay_s = 5.0                    # how long without fault
# beyond_stroke_mm = 3.0               # travel so far beyond the stroke is impossible
# stuck_for_s = 1.0                    # still for so long, ...
# stuck_within_mm = 0.15               # ... within this range, ...
# others_move_mm = 4.0                 # ... while the other corners move so far
# fastest_change_g = 100.0             # wheel against body: a faster jump is no motion
# smallest_jump_mm = 2.0               # jumps below it are not judged
# longest_spike_s = 0.01               # a longer one is a step

# [alerts.sample_rate]
# enabled = true
# lowest_hz = 250.0                    # below it high-speed figures are not to be trusted

# [alerts.link]
# enabled = true
# silent_after_s = 1.0
# clear_after_s = 3.0
"""

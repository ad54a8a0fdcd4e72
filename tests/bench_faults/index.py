"""Which test shows what the bench does about each of its own faults.

`FAULTS` are the faults that the bench itself can have, `NEEDS` what people who test such boxes trip over, both in our
own words and by the numbers of the lists that the project works from. A test is `FILE::FUNCTION` below `tests/`; the
sweep over every sequence (`SWEEP`) and the sample over real wires (`WIRES`) stand behind most of them.
"""

SWEEP = "bench_faults/test_sweep.py::test_no_failing_device_makes_a_verdict"
WIRES = "bench_faults/test_on_the_wires.py::test_a_device_that_fails_in_the_middle"
KILLED = "bench_faults/test_killed.py::test_the_outputs_open_and_the_record_verifies"

FAULTS: dict[int, tuple[str, tuple[str, ...]]] = {
    1: ("sense cable off reads 0 V", (
        "judging/test_trust.py::test_a_sense_cable_that_is_off_reads_0_v_and_is_found_by_a_second_source",
        "runner/test_selfcheck.py::test_meters_that_should_agree",
    )),
    2: ("relay board acknowledges and does not move", (
        "devices/test_modbus.py::test_a_relay_that_does_not_move_is_a_device_lost",
        "devices/test_board.py::test_an_output_that_does_not_follow",
        "devices/test_line.py::test_an_output_that_does_not_follow_is_a_device_lost",
    )),
    3: ("relay of the bench welded", (
        "bench_faults/test_supervision.py::test_a_relay_of_the_bench_that_is_welded_is_found_by_the_walk",
    )),
    4: ("unplugged while the box is energised", (
        SWEEP, WIRES, KILLED,
        "devices/test_board.py::test_trouble_ends_the_run_and_the_outputs_are_safe",
        "devices/test_board_firmware.py::test_dead_man",
        "devices/test_modbus.py::test_after_an_unplug_nothing_is_opened_again",
    )),
    5: ("opening a port restarts the board", (
        "devices/test_board.py::test_opening_moves_nothing",
        "devices/test_board.py::test_a_connected_board_waits_for_the_first_beat",
        "devices/test_modbus.py::test_opening_moves_nothing",
        "devices/test_serial_port.py::test_lines_are_set_before_the_port_is_opened",
    )),
    6: ("CAN adapter dead while its library says that all is well", (
        "bench_faults/test_supervision.py::test_silence_that_the_bench_causes_is_no_test_of_the_box",
        "devices/test_can_serial_line.py::test_an_adapter_that_takes_our_frames_and_lets_nothing_follow",
        "devices/test_can_serial_line.py::test_trouble_on_a_silent_bus_is_found",
        "devices/test_can_bus.py::test_an_expected_message_that_stays_away_is_lost",
        "devices/test_can_bus.py::test_bus_off_told_by_a_frame_is_lost",
    )),
    7: ("frames lost", (
        "bench_faults/test_supervision.py::test_lost_frames_widen_what_is_said_of_an_instant",
        "devices/test_can_checks.py::test_frames_lost_on_the_way_are_counted",
        "devices/test_can_serial_line.py::test_lost_and_frozen_frames_of_the_adapter",
    )),
    8: ("last value stays after the sensor is gone", (
        "judging/test_steps.py::test_await_on_an_old_value_is_inconclusive",
        "judging/test_steps.py::test_hold_over_a_silence_is_inconclusive",
        "runner/test_engine.py::test_a_silent_scan_group_ends_the_run",
    )),
    9: ("fresh and frozen", (
        "judging/test_trust.py::test_a_fresh_value_that_never_changes",
        "devices/test_can_checks.py::test_a_frozen_counter_counts_as_silence",
    )),
    10: ("meter over its range, or ranging by itself", (
        "devices/test_scpi.py::test_trouble_is_no_value",
        "devices/test_scpi.py::test_too_much_for_the_range_is_overload",
        "devices/test_scpi.py::test_settings_are_set_and_read_back",
        "devices/test_scpi.py::test_a_setting_that_does_not_hold_is_told",
    )),
    11: ("calibration out of date", (
        "runner/test_selfcheck.py::test_calibration_dates",
        "judging/test_uncertainty.py::test_an_overdue_calibration",
    )),
    12: ("clocks of the devices apart", (
        "devices/test_clocks.py::test_a_board_120_ppm_fast_behind_a_jittery_line_for_half_an_hour",
        "devices/test_board.py::test_an_edge_is_stamped_within_the_stated_bound",
        "judging/test_steps.py::test_what_is_not_known_of_a_device_clock_is_in_the_bound",
    )),
    13: ("wall clock set, laptop asleep", (
        "runner/test_host_clock.py::test_a_laptop_that_slept_while_its_monotonic_clock_stood_still",
        "runner/test_host_clock.py::test_a_wall_clock_that_was_set_back",
    )),
    14: ("host too slow", (
        "bench_faults/test_supervision.py::test_a_late_stimulus_is_stamped_when_it_happened",
        "runner/test_host_clock.py::test_a_host_that_did_not_come_back_in_time",
    )),
    15: ("disk full", (
        "record/test_reserve.py::test_no_run_begins_without_its_room",
        "record/test_reserve.py::test_a_disk_that_gets_full_is_told_once_and_the_run_is_recorded_to_its_end",
        "record/test_trouble.py::test_a_full_disk_is_told_once_and_then_the_writer_is_quiet",
        "commands/test_run.py::test_a_full_disk_ends_the_run_safe_and_inconclusive",
    )),
    16: ("process killed, power cut", (
        KILLED,
        "record/test_trouble.py::test_a_killed_process_loses_at_most_the_last_50_ms",
        "commands/test_run.py::test_a_killed_run_leaves_a_record_that_says_it_is_incomplete",
    )),
    17: ("a person answers without having looked", (
        "judging/test_steps.py::test_ask",
        "runner/test_person.py::test_a_question_is_answered_by_the_one_who_runs_it",
        "devices/test_operator.py::test_an_answer_in_80_ms_is_no_reading",
        "runner/test_live.py::test_what_live_cannot_do_without_whatever_is_overridden",
    )),
    18: ("a person walks away", (
        "judging/test_steps.py::test_ask_without_an_answer_is_inconclusive",
        "devices/test_operator.py::test_nobody_answers",
    )),
    19: ("two people, two programs", (
        "devices/test_holding.py::test_the_second_is_told_who_holds_it",
        "devices/test_holding.py::test_no_port_is_touched_while_another_holds_the_bench",
        "devices/test_serial_port.py::test_one_opener_only",
    )),
    20: ("wrong device, wrong box, wrong firmware", (
        "devices/test_board.py::test_the_wrong_device",
        "devices/test_scpi.py::test_another_device_is_refused",
        "devices/test_modbus.py::test_another_device_is_refused",
        "devices/test_line.py::test_another_device_is_refused",
        "devices/test_can_bus.py::test_wrong_adapter_on_the_port",
        "runner/test_stages.py::test_what_a_record_may_fall_short_of",
    )),
    21: ("fault left in", (
        "runner/test_engine.py::test_faults_that_are_left_in_are_taken_out",
        "bench_faults/test_supervision.py::test_a_fault_that_does_not_come_out_is_named",
    )),
    22: ("supply sags, is in its limit, or off", (
        "judging/test_trust.py::test_a_supply_that_sags_voids_what_was_judged_since",
        "devices/test_scpi.py::test_a_supply_that_is_switched_off_by_hand_is_found",
    )),
    23: ("noise on a sense line", (
        "runner/test_selfcheck.py::test_a_sense_line_that_picks_up_noise_is_not_relied_on",
    )),
    24: ("limits edited between runs", (
        "record/test_round_trip.py::test_texts_are_kept_as_used",
        "record/test_verify.py::test_every_flipped_bit_of_every_file_is_found",
        "runner/test_stages.py::test_a_record_of_another_text_of_the_sequence_opens_nothing",
    )),
    25: ("simulated device left in the path", (
        "bench_faults/test_supervision.py::test_one_simulated_device_among_real_ones_is_refused",
        "runner/test_stages.py::test_records_of_stand_ins_are_marked_simulated",
        "runner/test_stages.py::test_a_real_simulated_run_opens_nothing",
    )),
}  # fmt: skip

NEEDS: dict[int, tuple[str, tuple[str, ...]]] = {
    1: ("the receiver of a bus dies in silence", (
        "devices/test_can_bus.py::test_every_error_of_the_library_ends_as_lost",)),
    2: ("unplugged, and everything still says active", (
        "devices/test_can_bus.py::test_an_expected_message_that_stays_away_is_lost",
        "devices/test_can_serial_line.py::test_trouble_on_a_silent_bus_is_found", WIRES)),
    3: ("a reader waits for ever", ("devices/test_can_serial_line.py::test_conformance",)),
    4: ("opened again in the middle", ("devices/test_modbus.py::test_after_an_unplug_nothing_is_opened_again",)),
    5: ("bus-off does not end by itself", (
        "devices/test_can_bus.py::test_bus_off_told_by_a_frame_is_lost",
        "devices/test_can_bus.py::test_bad_news_of_the_state_is_believed")),
    6: ("nobody acknowledges", (
        "devices/test_can_bus.py::test_errors_in_words",
        "devices/test_can_serial_line.py::test_a_frame_that_is_refused")),
    7: ("stamps of every origin", ("devices/test_can_stamps.py::test_nonsense_is_refused",)),
    8: ("drift and sleep", (
        "runner/test_host_clock.py::test_a_laptop_that_slept_while_its_monotonic_clock_stood_still",
        "devices/test_clocks.py::test_a_clock_that_warms_up_within_what_is_said_of_it")),
    9: ("frames lost under load", (
        "devices/test_can_serial_line.py::test_5000_frames_at_once",
        "devices/test_can_serial_line.py::test_an_adapter_that_lost_frames_says_so",
        "bench_faults/test_supervision.py::test_lost_frames_widen_what_is_said_of_an_instant")),
    10: ("old frames taken for new", (
        "devices/test_can_bus.py::test_frames_from_before_the_start_are_thrown_away",
        "judging/test_steps.py::test_await_does_not_take_a_value_from_before_the_stimulus")),
    11: ("stale signals", (
        "judging/test_steps.py::test_await_on_an_old_value_is_inconclusive",
        "judging/test_silence.py::test_an_await_needs_it_to_be_heard")),
    12: ("frozen but fresh", (
        "devices/test_can_checks.py::test_a_frozen_counter_counts_as_silence",
        "judging/test_trust.py::test_a_fresh_value_that_never_changes")),
    13: ("a message that stays away", ("devices/test_can_bus.py::test_an_expected_message_that_never_came_is_lost",)),
    14: ("readers that steal from one another", (
        "devices/test_can_decoding.py::test_frames_that_nobody_wants_are_only_logged",
        "devices/test_can_bus.py::test_error_frames_are_counted_and_told")),
    15: ("one hung write holds up everything", (
        "bench_faults/test_supervision.py::test_a_write_that_hangs_does_not_hold_back_the_safe_state_of_another",
        "devices/test_scpi.py::test_a_drive_goes_through_while_a_reading_takes_its_time")),
    16: ("periodic frames off their period", (
        "devices/test_can_sending.py::test_the_schedule_does_not_drift",
        "devices/test_can_sending.py::test_missed_periods_are_left_out_and_counted",
        "devices/test_can_sending.py::test_periods_are_told")),
    17: ("a simulated bus that is too kind", (
        "devices/test_can_serial_line.py::test_lost_and_frozen_frames_of_the_adapter",
        "devices/test_can_serial_line.py::test_a_frame_that_is_refused",
        "runner/test_stages.py::test_records_of_stand_ins_are_marked_simulated")),
    18: ("tests skipped where the bus is missing", ("bench_faults/test_fault_index.py::test_no_test_is_skipped",)),
    19: ("opening a port resets the board", (
        "devices/test_serial_port.py::test_lines_are_set_before_the_port_is_opened",
        "devices/test_board.py::test_opening_moves_nothing")),
    20: ("outputs stay on after a crash", (
        KILLED, "devices/test_board.py::test_the_board_makes_safe_by_itself_when_the_bench_falls_silent",
        "devices/test_board_firmware.py::test_after_a_trip_it_drives_only_when_armed_again",
        "devices/test_board_micropython.py::test_it_lets_go_by_itself")),
    21: ("half lines and endless ones", (
        "devices/test_serial_port.py::test_half_a_line_is_kept",
        "devices/test_serial_port.py::test_a_piece_without_an_end_is_handed_out_at_its_longest",
        "devices/test_line.py::test_rubbish_without_an_end_is_told")),
    22: ("vague words for an unplugged port", (
        "devices/test_serial_port.py::test_unplugged_while_waiting",
        "devices/test_serial_port.py::test_unplugged_before_a_call")),
    23: ("two programs on one port", (
        "devices/test_serial_port.py::test_one_opener_only",
        "devices/test_can_serial_line.py::test_slcan_lets_no_second_program_in",
        "devices/test_holding.py::test_the_second_is_told_who_holds_it")),
    24: ("an old reply answers the next question", (
        "devices/test_scpi.py::test_a_late_answer_does_not_answer_the_next_question",
        "devices/test_modbus.py::test_a_late_answer_does_not_answer_the_next_question",
        "devices/test_board.py::test_an_answer_that_comes_after_the_next_question")),
    25: ("frames told by gaps", (
        "devices/test_modbus.py::test_rubbish_is_never_a_value",
        "bench_faults/test_fuzz.py::test_modbus_answers")),
    26: ("retries that hide a weak line", (
        "devices/test_modbus.py::test_a_try_again_is_noted", "devices/test_scpi.py::test_a_try_again_is_noted",
        "devices/test_board.py::test_a_lost_answer_is_asked_for_again_and_noted")),
    29: ("values that cannot be are decoded", ("devices/test_can_decoding.py::test_what_cantools_lets_pass",)),
    41: ("interrupted, and the hardware stays on", (
        "commands/test_run.py::test_ctrl_c_ends_safe_and_the_record_is_whole",
        "runner/test_engine.py::test_trouble_at_any_event_ends_safe_and_never_as_a_pass", KILLED)),
    45: ("no permission on Linux", ("devices/test_ports.py::test_a_permission_that_is_missing",)),
    46: ("Windows' own troubles", (
        "devices/test_ports.py::test_a_port_on_windows_without_permission",
        "devices/test_ports.py::test_a_can_adapter_without_its_driver",
        "devices/test_ports.py::test_on_this_computer")),
    47: ("logs that cannot be read back", (
        "record/test_trouble.py::test_everything_before_a_torn_line_is_recovered",
        "record/test_round_trip.py::test_frames_are_read_back_by_python_can_and_by_us")),
}  # fmt: skip

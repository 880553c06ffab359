# Sourced by mutants.sh and coverage.sh: the tests that stand for the core there, and what they leave out.
# Sampled where they are exhaustive, and without the simulator, which would have to be built.
export HOPWRIGHT_SAMPLE=1
features=hopwright-core/critical-section,hopwright-core/embedded-io,hopwright-core/_fuzz
# What takes more than five seconds without optimisation: statistics of what others test one by one.
slow='channel_use::|correlation::|randomness::|lanes_are_disjoint|independent_implementation|decoder_fails_exactly'
slow="$slow|power_lost_after|waits_are_distributed|a_station_at_work"
slow="$slow|every_source_reaches|whoever_is_called_has_the_key|everyone_else_gets|damaged_orders|the_withdrawn_predict"
quick="not test(/$slow/)"

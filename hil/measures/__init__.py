"""Pure: traces to measures.

`catalogue` lists the measures of each kind of scenario and computes them. A measure is a `recipe`:
one definition in words and the function that follows it, which takes a `view` of the trace (speeds
oriented, windows, changes of state) and either estimates a value with its standard uncertainty or
says why there is none. `waveform` holds the arithmetic on bare arrays in the terms of IEEE Std 181,
`signal` what makes a channel fit for it (gaps, uncertainties); `approach`, `steady`, `peaks` and
`compare` what several kinds share.
"""

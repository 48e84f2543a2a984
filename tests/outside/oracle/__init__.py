"""A second opinion on every pixel: composites small scenes in double precision, straight from the language's words.

Written from the scene language alone and sharing nothing with `src/`: numpy only, no tables, no bands, no shortcuts.
`random_scenes` invents a scene, `kdl` writes it down, `stack` says what its outputs must hold.
"""

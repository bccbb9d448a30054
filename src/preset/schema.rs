//! The JSON Schema of presets, for completion and checks in an editor. It is made from the code:
//! shapes and descriptions from the types, ranges from the stages' own checks.

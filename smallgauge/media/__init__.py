"""Picture and sound files to arrays and back: the only room that knows FFmpeg."""

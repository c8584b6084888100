"""READ. Bytes and weather in; rides with a bike and conditions out. Stores nothing."""

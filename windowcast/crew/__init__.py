"""The windows of many yards, turned into days that crews can drive; pure."""

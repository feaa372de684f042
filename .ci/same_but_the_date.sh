# Two pages are the same but for the line that says when they were made.
diff <(grep -v '^<p>Made on ' "$1") <(grep -v '^<p>Made on ' "$2") > /dev/null ||
    { echo "$1 and $2 differ in more than the date"; diff "$1" "$2" | cut -c1-200 | head; exit 1; }

package alert

// Secret is a text that is never shown: printed, logged or marshalled it says so. Its value
// is had by converting it to a string.
type Secret string

const notShown = "(not shown)"

// String hides the value.
func (s Secret) String() string {
	if s == "" {
		return ""
	}
	return notShown
}

// GoString hides the value from %#v.
func (s Secret) GoString() string { return `"` + s.String() + `"` }

// MarshalText hides the value from JSON, YAML and logs.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

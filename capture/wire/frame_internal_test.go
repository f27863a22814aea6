package wire

// FrameKeyNames lists the keys for the test of the help page.
func FrameKeyNames() (names []string) {
	for _, k := range frameKeys() {
		names = append(names, k.name)
	}
	return names
}

// FramesOf makes a decoder of the text of a description.
func FramesOf(s Spec, text []byte) (Decoder, error) {
	var err error
	if s.description, err = parseFrames("fuzz.frame", text); err != nil {
		return nil, err
	}
	return newFrames(s)
}

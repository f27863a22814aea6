package capture

// Contact is a driven contact: the switch that puts the short on and takes it off. Close and Open
// return once the command is given; a contact that is already there is no error.
type Contact interface {
	Close() error
	Open() error
	Closed() bool
}

// contactU is the expanded uncertainty of a driven contact's instant, seconds: relays operate within
// some 10 to 20 ms (common practice, no source).
const contactU = 0.02

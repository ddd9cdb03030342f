package definitions

// File gives the embedded file.
func File() []byte { return r4File }

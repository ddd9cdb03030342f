package postgres

import (
	"runtime"
	"sync"

	"github.com/klauspost/compress/zstd"
)

// zstdMark is how a zstd frame begins (RFC 8878 section 3.1.1). Earlier builds stored bodies as
// frames against the same dictionary, and they stay as they are.
const zstdMark = "\x28\xb5\x2f\xfd"

// zstdDictionary is the number by which frames name the dictionary.
const zstdDictionary = 1

var zstdReader = sync.OnceValue(func() *zstd.Decoder {
	d, err := zstd.NewReader(nil, zstd.WithDecoderDictRaw(zstdDictionary, dictionary), zstd.WithDecoderMaxMemory(mostUnpacked),
		zstd.WithDecoderConcurrency(runtime.GOMAXPROCS(0)))
	if err != nil {
		panic(err) // of constants
	}
	return d
})

func unpackZstd(frame []byte) ([]byte, error) { return zstdReader().DecodeAll(frame, nil) }

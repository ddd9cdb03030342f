package postgres

import (
	"runtime"
	"sync"

	"github.com/klauspost/compress/zstd"
)

// zstdMark is how a zstd frame begins (RFC 8878 section 3.1.1). Databases of earlier builds have
// bodies as frames against the same dictionary.
const zstdMark = "\x28\xb5\x2f\xfd"

// zstdDictionary is the number by which frames name the dictionary.
const zstdDictionary = 1

var zstdWriter = sync.OnceValue(func() *zstd.Encoder {
	e, err := zstd.NewWriter(nil, zstd.WithEncoderDictRaw(zstdDictionary, dictionary), zstd.WithEncoderLevel(zstd.SpeedFastest),
		// What is not in the dictionary is written as it stands: to pack that, too, takes three
		// times the time and saves an eighth of the room.
		zstd.WithNoEntropyCompression(true),
		zstd.WithEncoderConcurrency(runtime.GOMAXPROCS(0)))
	if err != nil {
		panic(err) // of constants
	}
	return e
})

func packZstd(to, body []byte) []byte { return zstdWriter().EncodeAll(body, to) }

var zstdReader = sync.OnceValue(func() *zstd.Decoder {
	d, err := zstd.NewReader(nil, zstd.WithDecoderDictRaw(zstdDictionary, dictionary), zstd.WithDecoderMaxMemory(mostUnpacked),
		zstd.WithDecoderConcurrency(runtime.GOMAXPROCS(0)))
	if err != nil {
		panic(err) // of constants
	}
	return d
})

func unpackZstd(frame []byte) ([]byte, error) { return zstdReader().DecodeAll(frame, nil) }

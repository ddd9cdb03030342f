package workflow

import "fmt"

// planUlnar asks for pressure on the ulnar artery beside the band, where a protocol wants
// it: evidence is contested, so that no starter does.
func (m *machine) planUlnar() {
	v := m.v
	if v.p.UlnarCompression == 0 || !v.bandOn() {
		return
	}
	if t := m.last(UlnarCompression); t != nil && t.dealtWith() {
		return
	}
	m.put(want{
		key: m.next(UlnarCompression, ""), status: TaskReady, priority: Routine,
		text: fmt.Sprintf("Keep the ulnar artery compressed at the wrist for %s, beside the band; complete this Task when it is released.",
			span(v.p.UlnarCompression)),
		notBefore: v.begun(), due: v.begun().Add(v.p.UlnarCompression), window: v.begun(),
	})
}

// planTeaching keeps what the patient is to be told on the road, bound to leaving.
func (m *machine) planTeaching() {
	v := m.v
	if t := m.last(PatientTeaching); !v.p.Teaching || m.gone() || t != nil && t.dealtWith() {
		return
	}
	w := want{
		key: m.next(PatientTeaching, ""), status: TaskDraft, priority: Routine,
		text: "Before discharge: tell and show the patient how to look after the wrist, and whom to call; complete this Task when it is understood.",
	}
	for _, line := range v.p.Advice {
		w.text += " " + line
	}
	if !v.bandOn() {
		w.status, w.notBefore = TaskReady, v.band.off
	}
	m.put(w)
}

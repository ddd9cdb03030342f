package workflow

import "time"

// Quarter is the span of one line of a workload.
const Quarter = 15 * time.Minute

// Load is how many Tasks of a ward fall due in one quarter of an hour, and how many of
// them change the air in a band: two pairs of hands are wanted where one bleeds.
type Load struct {
	From  time.Time
	Tasks int
	Air   int
}

// Workload counts, quarter by quarter from an instant, the open Tasks that fall due by
// what is planned now. What is overdue already stands in the first. Reviews are others'
// work and are left out.
func Workload(tasks []Task, from time.Time, quarters int) []Load {
	loads := make([]Load, quarters)
	for i := range loads {
		loads[i].From = from.Add(time.Duration(i) * Quarter)
	}
	for _, t := range tasks {
		if t.Status.Finished() || t.Due.IsZero() || t.Key.Code == ClinicianReview {
			continue
		}
		i := max(0, int(t.Due.Sub(from)/Quarter))
		if i >= quarters {
			continue
		}
		loads[i].Tasks++
		if t.act() != "" {
			loads[i].Air++
		}
	}
	return loads
}

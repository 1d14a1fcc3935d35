/* What planners/inner_loops/compiled.py hands over; what each means stands there and in moves.py. */

#define INTERFACE 1 /* as in planners/inner_loops/accelerator.py: one more if anything here changes */

typedef struct {
    const double *slope; /* NULL where each level leads to only one other */
    const double *costs;
    const ptrdiff_t *first, *length, *last;
    const ptrdiff_t *breaks, *last_breaks;
    ptrdiff_t parts, last_parts, top;
    double low;
} piece;

typedef struct {
    const ptrdiff_t *below, *above; /* NULL for a tick without such moves */
    const double *along, *costs, *more;
    double jump;
} between_levels;

typedef struct {
    const piece *pieces;
    ptrdiff_t count;
    between_levels between;
    const double *part;
} tick;

typedef struct {
    double *on, *off, *fresh, *work;
    const double *short_run;
    const ptrdiff_t *reached; /* so many levels of each row matter, the lowest ones */
    ptrdiff_t ticks, rows, levels, stride; /* stride: from one state's levels to the next's */
    ptrdiff_t min_run, min_rest, above_want, cut_off, cut_off_run, longest;
    int first_apart, cut_counts;
    double start_cost;
} tables;

/* Numbers that `work` must have room for, if no range is longer. */
ptrdiff_t work_size(ptrdiff_t levels, ptrdiff_t longest);

void fill_rows(const tables *all, const tick *const *of_row, ptrdiff_t first, ptrdiff_t end);

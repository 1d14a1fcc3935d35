/* Fill the planner's tables, backwards from one tick to another.
 *
 * The same sums and minima as in planners/solver/filling.py and planners/inner_loops, so that every
 * number is the same to the last bit: build without -ffast-math, and without fused operations.
 */

#include <math.h>
#include <stddef.h>

#include "rows.h"

#if defined(__GNUC__) && !defined(__clang__) && defined(__x86_64__) && defined(__gnu_linux__)
#define WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WIDE
#endif

#define LESSER(a, b) ((b) < (a) ? (b) : (a))

#define BLOCK 256 /* levels at a time, so that they stay in the fastest cache */

/* Least value in each range of one length, by those of stretches of 1, 2, 4, ... levels. */
WIDE static void least_in_ranges(const double *restrict values, double *restrict out,
                                 double *restrict work, ptrdiff_t count, ptrdiff_t length)
{
    for (ptrdiff_t begin = 0; begin < count; begin += BLOCK) {
        ptrdiff_t some = count - begin < BLOCK ? count - begin : BLOCK, half = 1;
        const double *from = values + begin;
        double *to = work, *other = work + BLOCK + length;
        for (; 2 * half <= length; half *= 2) {
            const double *restrict one = from;
            double *restrict found = to;
            for (ptrdiff_t e = 0; e < some + length - 2 * half + 1; e++)
                found[e] = LESSER(one[e], one[e + half]);
            from = to;
            to = other;
            other = (double *)from;
        }
        for (ptrdiff_t e = 0; e < some; e++)
            out[begin + e] = LESSER(from[e], from[e + length - half]);
    }
}

/* Lower to the value of each range's last level, which is better by `low`, and add the costs. */
WIDE static void with_last(const piece *p, const double *restrict values, double *restrict out,
                           ptrdiff_t levels)
{
    const double *restrict costs = p->costs;
    double low = p->low;
    for (ptrdiff_t s = 0; s < p->last_parts && p->last_breaks[s] < levels; s++) {
        ptrdiff_t begin = p->last_breaks[s], end = LESSER(p->last_breaks[s + 1], levels);
        ptrdiff_t last = p->last[begin];
        if (end - begin > 1 && p->last[begin + 1] == last) {
            double full = values[last] - low;
            for (ptrdiff_t e = begin; e < end; e++)
                out[e] = LESSER(out[e], full) + costs[e];
            continue;
        }
        for (ptrdiff_t e = begin; e < end; e++) {
            double full = values[e + last - begin] - low;
            out[e] = LESSER(out[e], full) + costs[e];
        }
    }
}

/* Least cost of the moves of a piece from the lowest levels, to those below `until`. */
WIDE static void least_of_piece(const tables *all, const piece *p, const double *restrict after,
                                double *restrict out, ptrdiff_t levels, ptrdiff_t until)
{
    const double *restrict slope = p->slope;
    double *restrict values = all->work;
    ptrdiff_t end = LESSER(until, p->top + 1);
    for (ptrdiff_t e = 0; e < end; e++)
        values[e] = slope == NULL ? after[e] : after[e] + slope[e];
    for (ptrdiff_t e = end; e < until + all->longest; e++)
        values[e] = INFINITY; /* so that ranges which end at the top may continue past it */
    for (ptrdiff_t s = 0; s < p->parts && p->breaks[s] < levels; s++) {
        ptrdiff_t begin = p->breaks[s], count = LESSER(p->breaks[s + 1], levels) - begin;
        if (p->length[begin] == 0)
            for (ptrdiff_t e = begin; e < begin + count; e++)
                out[e] = INFINITY;
        else
            least_in_ranges(values + p->first[begin], out + begin,
                            values + all->levels + all->longest, count, p->length[begin]);
    }
    with_last(p, values, out, levels);
}

static void least_between(const between_levels *b, const double *after, double *out,
                          ptrdiff_t levels)
{
    for (ptrdiff_t e = 0; e < levels; e++) {
        if (b->costs[e] == INFINITY)
            continue;
        ptrdiff_t i = b->below[e], j = b->above[e];
        double below = after[i] + (b->more ? b->more[i] : 0.0);
        double apart = after[j] + (b->more ? b->more[j] : 0.0) - below;
        double step = fabs(apart) < b->jump ? apart * b->along[e] : fmax(apart, 0.0);
        double found = step + below + b->costs[e];
        out[e] = LESSER(out[e], found);
    }
}

/* Lower `out` to what other values are, with a cost on top. */
WIDE static void lower(double *restrict out, const double *restrict others, double more, ptrdiff_t levels)
{
    for (ptrdiff_t e = 0; e < levels; e++) {
        double other = others[e] + more;
        out[e] = LESSER(out[e], other);
    }
}

WIDE static void lesser_of(double *restrict out, const double *restrict some,
                           const double *restrict others, double more, ptrdiff_t levels)
{
    for (ptrdiff_t e = 0; e < levels; e++) {
        double one = some[e] + more;
        out[e] = LESSER(one, others[e]);
    }
}

/* Least cost of drawing through a tick. */
static void whole(const tables *all, const tick *now, const double *after, double *out,
                  ptrdiff_t levels, ptrdiff_t until)
{
    double *more = all->work + all->levels + 2 * BLOCK + 3 * all->longest;
    if (now->count == 0)
        for (ptrdiff_t e = 0; e < levels; e++)
            out[e] = INFINITY;
    for (ptrdiff_t n = 0; n < now->count; n++) {
        double *found = n == 0 ? out : more;
        least_of_piece(all, &now->pieces[n], after, found, levels, until);
        if (n > 0)
            lower(out, more, 0.0, levels);
    }
    if (now->between.below != NULL)
        least_between(&now->between, after, out, levels);
}

static void copy(double *out, const double *from, ptrdiff_t levels)
{
    for (ptrdiff_t e = 0; e < levels; e++)
        out[e] = from[e];
}

static void fill_row(const tables *all, const tick *tick, ptrdiff_t row)
{
    ptrdiff_t levels = all->reached[row], stride = all->stride, last = all->rows - 1;
    double *now = all->on + row * all->rows * stride, *later = now + all->rows * stride;
    double *full = now + (last - 1) * stride, *on = now + last * stride;
    double *off = all->off + row * stride, *fresh = all->fresh + row * stride;
    ptrdiff_t rested = row + all->min_rest < all->ticks ? row + all->min_rest : all->ticks;
    const double *stopped = all->off + rested * stride;
    ptrdiff_t begun = all->first_apart ? all->min_run : 0;
    for (ptrdiff_t r = 0; r < last; r++)
        whole(all, tick, later + (r + 1) * stride, now + r * stride, levels, all->reached[row + 1]);
    if (row == all->ticks - 1 && all->cut_counts)
        for (ptrdiff_t r = 0; r < last; r++)
            lower(now + r * stride, tick->part, all->short_run[r + 1], levels);
    if (all->cut_counts)
        lower(full, tick->part, 0.0, levels);
    lesser_of(off, now + begun * stride, off + stride, all->start_cost, levels);
    if (all->first_apart) {
        copy(now + (all->min_run - 1) * stride, full, levels);
        for (ptrdiff_t r = 0; r < all->min_run; r++)
            lower(now + r * stride, tick->part, 0.0, levels);
        lesser_of(fresh, now, fresh + stride, all->start_cost, levels);
    }
    lesser_of(on, full, stopped, 0.0, levels);
    if (!all->cut_counts)
        lower(on, tick->part, 0.0, levels);
    for (ptrdiff_t e = all->above_want; e < levels; e++)
        on[e] = INFINITY;
    if (row == all->cut_off)
        copy(now + all->cut_off_run * stride, stopped, levels);
}

ptrdiff_t work_size(ptrdiff_t levels, ptrdiff_t longest)
{
    return 2 * levels + 2 * BLOCK + 3 * longest;
}

void fill_rows(const tables *all, const tick *const *of_row, ptrdiff_t first, ptrdiff_t end)
{
    for (ptrdiff_t row = end - 1; row >= first; row--)
        fill_row(all, of_row[row - first], row);
}

"""What a GPU needs beyond the array libraries' own functions."""

from contextlib import suppress
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array

RANGE = 2.0**62
"""Of whole numbers that stand for a sum: it is then the same in any order."""

BLOCKS, THREADS = 264, 512
"""Of a kernel over many numbers; of all kernels."""

SHARED = 48 * 2**10
"""Bytes that a block of threads shares if nothing more is asked for."""


def begin() -> None:
    """Wakes the GPU and loads what products are made with there.

    Whatever is wrong with it is told where it is worked on.
    """
    with suppress(Exception):
        import cupy

        # it loads this itself with the first arrays that it divides
        import cupyx.scipy.special  # noqa: F401

        for kind in (cupy.float32, cupy.float64, cupy.complex64):
            square = cupy.zeros((4, 4), kind)
            square @ square
        row = cupy.arange(8, dtype=cupy.float32)
        row[row.argsort()].sum()
        # sums of many numbers are made in two steps, each of which takes long to load
        cupy.zeros(2**14, cupy.float32).sum(dtype=cupy.float64, keepdims=True)
        cupy.cuda.get_current_stream().synchronize()


@cache
def _kernel(name: str, code: str, shared: int) -> Any:
    """A kernel whose blocks share so many bytes."""
    import cupy

    made = cupy.RawKernel(code, name)
    if shared > SHARED:
        made.max_dynamic_shared_size_bytes = shared
    return made


SUMMED = r"""
extern "C" __global__ void summed(const long long* index, const double* weights, long long count,
                                  const double* total, double range, int size,
                                  unsigned long long* sums) {
    extern __shared__ unsigned long long own[];
    for (int k = threadIdx.x; k < size; k += blockDim.x) own[k] = 0;
    __syncthreads();
    const double scale = range / *total;
    const long long step = (long long) gridDim.x * blockDim.x;
    for (long long k = (long long) blockIdx.x * blockDim.x + threadIdx.x; k < count; k += step)
        atomicAdd(own + index[k], (unsigned long long) rint(weights[k] * scale));
    __syncthreads();
    for (int k = threadIdx.x; k < size; k += blockDim.x)
        if (own[k]) atomicAdd(sums + k, own[k]);
}
"""


def summed_by(index: Array, weights: Array, size: int) -> NDArray[np.float64]:
    """`arrays.summed_by` on a GPU, in fixed point: of what is added up at once the order is not
    known, and sums of floating-point numbers would depend on it."""
    import cupy

    weights = cupy.ascontiguousarray(weights, cupy.float64)
    total, sums = weights.sum(), cupy.zeros(size, cupy.uint64)
    if 8 * size <= cupy.cuda.Device().attributes["MaxSharedMemoryPerBlockOptin"]:
        index = cupy.ascontiguousarray(index, cupy.int64)
        given = index, weights, np.int64(index.size), total, RANGE, np.int32(size), sums
        _kernel("summed", SUMMED, 8 * size)((BLOCKS,), (THREADS,), given, shared_mem=8 * size)
    else:
        whole = cupy.rint(weights * (RANGE / total)).astype(cupy.uint64)
        cupy.add.at(sums, index, whole)
    # at once: each answer is waited for
    found = cupy.concatenate([sums.view(cupy.float64), total.reshape(1)]).get()
    whole_sum = float(found[-1])
    if not 0 < whole_sum < np.inf:
        # nothing, or numbers that are none
        return np.full(size, whole_sum)
    return np.asarray(found[:-1].view(np.uint64) / (RANGE / whole_sum))


@cache
def _sector() -> Any:
    import cupy

    return cupy.ElementwiseKernel(
        "T value, float64 first, float64 width, int64 count, raw int64 corners",
        "int64 corner",
        """
        const double around = (double) atan2(value.imag(), value.real());
        long long place = (long long) floor((around - first) / width) % count;
        corner = corners[place < 0 ? place + count : place];
        """,
        "sector",
    )


def sector(values: Array, first: float, width: float, corners: Array) -> Array:
    """`arrays.sector` on a GPU, in one kernel."""
    return _sector()(values, first, width, corners.size, corners)


@cache
def _smoothed() -> Any:
    import cupy

    return cupy.ElementwiseKernel(
        "float32 x, float32 y, float32 square",
        "float32 size, float32 along, float32 across",
        "size = sqrtf(x * x + y * y + square); along = x / size; across = y / size;",
        "smoothed",
    )


def smoothed(x: Array, y: Array, square: float) -> tuple[Array, Array, Array]:
    """`arrays.smoothed` on a GPU, in one kernel."""
    size, along, across = _smoothed()(x, y, square)
    return size, along, across


@cache
def _curved() -> Any:
    import cupy

    return cupy.ElementwiseKernel(
        "float32 real, float32 imag, float32 x, float32 y, float32 width, float32 radius",
        "float32 around, float32 turned, float32 along, float32 sharp",
        """
        const float square = x * x + y * y + width * width, size = sqrtf(square);
        const float length = hypotf(x, y);
        const bool dark = length < 1e-6f * width;
        const float cosine = dark ? 1.0f : x / length, sine = dark ? 0.0f : y / length;
        around = cosine * imag - sine * real;
        turned = radius / size * around;
        along = cosine * real + sine * imag;
        sharp = radius * width * width / (size * square) * along;
        """,
        "curved",
    )


def curved(real: Array, imag: Array, x: Array, y: Array, width: float, radius: float) -> Array:
    """`BlockModel.curvature` of discs on a GPU, whose terms are x + i y: in one kernel, and two
    products."""
    import cupy

    terms = x[:, None], y[:, None], width, radius
    around, turned, along, sharp = _curved()(real, imag, *terms)
    return (around.T @ turned).astype(cupy.float64) + (along.T @ sharp).astype(cupy.float64)


GREEDY = r"""
#define AT_ONCE 8
// one block; `signs` of the changes and `residual`, `seen` (n,) are changed in place
extern "C" __global__ void greedy(const long long* members, const float* changes,
                                  const float* seen_changes, const float* squares,
                                  const float* costs, const double* goal, const double* limits,
                                  const int* blocks, int parts, int pool, int n, int rounds,
                                  int least, double slight, float* signs, double* residual,
                                  double* seen, double* found) {
    extern __shared__ double room[];
    const int width = blockDim.x, me = threadIdx.x, lane = me % 32, warp = me / 32;
    const int warps = width / 32;
    double* partial = room;                          // (warps, most): squared lengths
    const int most = pool / 4 > least ? pool / 4 : least;
    float* gain = (float*) (partial + warps * most); // (pool,)
    int* order = (int*) (gain + pool);               // (pool,)
    int* member = order + pool;                      // (pool,)
    float* sign = (float*) (member + pool);          // (pool,)
    float* near = sign + pool;                       // (n,): `seen` in single precision
    __shared__ int helpful, best, is_long, is_last;
    __shared__ double length;
    for (int k = me; k < pool; k += width) {
        member[k] = (int) members[k];
        sign[k] = signs[member[k]];
    }
    if (me == 0) found[0] = 0;
    for (int round = 0; round < rounds; ++round) {
        // is every part short enough?
        if (me == 0) { helpful = 0; is_long = 0; }
        __syncthreads();
        for (int part = warp; part < parts; part += warps) {
            double sum = 0;
            for (int j = blocks[2 * part] + lane; j < blocks[2 * part + 1]; j += 32) {
                const double now = residual[j] + goal[j];
                sum += now * now;
            }
            for (int k = 16; k; k /= 2) sum += __shfl_xor_sync(~0u, sum, k);
            if (lane == 0 && !(sqrt(sum) <= limits[part])) is_long = 1;
        }
        if (warp == warps - 1) {
            double sum = 0;
            for (int j = lane; j < n; j += 32) sum += seen[j] * seen[j];
            for (int k = 16; k; k /= 2) sum += __shfl_xor_sync(~0u, sum, k);
            if (lane == 0) length = sum;
        }
        for (int j = me; j < n; j += width) near[j] = (float) seen[j];
        __syncthreads();
        if (!is_long) break;
        // what each change shortens the rest by
        for (int first = AT_ONCE * warp; first < pool; first += AT_ONCE * warps) {
            float sum[AT_ONCE] = {};
            for (int j = lane; j < n; j += 32)
                #pragma unroll
                for (int k = 0; k < AT_ONCE; ++k)
                    sum[k] += seen_changes[(size_t) member[first + k] * n + j] * near[j];
            for (int m = 16; m; m /= 2)
                #pragma unroll
                for (int k = 0; k < AT_ONCE; ++k) sum[k] += __shfl_xor_sync(~0u, sum[k], m);
            #pragma unroll
            for (int k = 0; k < AT_ONCE; ++k) if (lane == 0) {
                const int row = first + k;
                const int at = member[row];
                gain[row] = sign[row] * (2 * sum[k] + costs[at]) + squares[at];
                order[row] = row;
                if (gain[row] < 0) atomicAdd(&helpful, 1);
            }
        }
        __syncthreads();
        if (helpful == 0) break;
        // in the order of that (bitonic; `pool` is a power of two)
        for (int size = 2; size <= pool; size *= 2)
            for (int apart = size / 2; apart; apart /= 2) {
                for (int k = me; k < pool / 2; k += width) {
                    const int a = 2 * k - (k & (apart - 1)), b = a + apart;
                    const bool rising = (a & size) == 0;
                    const bool later = gain[a] > gain[b]
                        || (gain[a] == gain[b] && order[a] > order[b]);
                    if (later == rising) {
                        const float g = gain[a]; gain[a] = gain[b]; gain[b] = g;
                        const int o = order[a]; order[a] = order[b]; order[b] = o;
                    }
                }
                __syncthreads();
            }
        int some = helpful / 4 > least ? helpful / 4 : least;
        if (some > helpful) some = helpful;
        // how long the rest is after one, two, three ... of them
        for (int k = me; k < warps * some; k += width) partial[k / some * most + k % some] = 0;
        __syncthreads();
        for (int j = me; j - lane < n; j += width) {
            double path = j < n ? seen[j] : 0;
            for (int first = 0; first < some; first += AT_ONCE) {
                double sum[AT_ONCE];
                #pragma unroll
                for (int k = 0; k < AT_ONCE; ++k) {
                    if (j < n && first + k < some) {
                        const int row = order[first + k];
                        const size_t at = (size_t) member[row] * n + j;
                        path += (double) (sign[row] * seen_changes[at]);
                    }
                    sum[k] = path * path;
                }
                for (int m = 16; m; m /= 2)
                    #pragma unroll
                    for (int k = 0; k < AT_ONCE; ++k) sum[k] += __shfl_xor_sync(~0u, sum[k], m);
                #pragma unroll
                for (int k = 0; k < AT_ONCE; ++k)
                    if (lane == 0 && first + k < some) partial[warp * most + first + k] += sum[k];
            }
        }
        __syncthreads();
        for (int k = me; k < some; k += width) {
            double sum = 0;
            for (int m = 0; m < warps; ++m) sum += partial[m * most + k];
            partial[k] = sum;
            gain[k] = sign[order[k]] * costs[member[order[k]]];
        }
        __syncthreads();
        // the first of the shortest, the costs added up
        if (warp == 0) {
            const int per = (some + 31) / 32, from = lane * per, to = min(from + per, some);
            double own = 0;
            for (int k = from; k < to; ++k) own += gain[k];
            double cost = own;
            for (int m = 1; m < 32; m *= 2) {
                const double other = __shfl_up_sync(~0u, cost, m);
                if (lane >= m) cost += other;
            }
            cost -= own;
            double shortest = 1e300;
            int place = some - 1;
            for (int k = from; k < to; ++k) {
                cost += gain[k];
                if (partial[k] + cost < shortest) { shortest = partial[k] + cost; place = k; }
            }
            for (int m = 16; m; m /= 2) {
                const double length = __shfl_xor_sync(~0u, shortest, m);
                const int other = __shfl_xor_sync(~0u, place, m);
                if (length < shortest || (length == shortest && other < place)) {
                    shortest = length;
                    place = other;
                }
            }
            if (lane == 0) {
                best = place;
                is_last = shortest > (1 - slight) * length;
                found[0] = 1;
            }
        }
        __syncthreads();
        for (int j = me; j < n; j += width) {
            double rest = residual[j], there = seen[j];
            for (int k = 0; k <= best; ++k) {
                const size_t at = (size_t) member[order[k]] * n + j;
                rest += (double) (sign[order[k]] * changes[at]);
                there += (double) (sign[order[k]] * seen_changes[at]);
            }
            // they are the same where lengths are as they are
            seen[j] = there;
            residual[j] = rest;
        }
        __syncthreads();
        for (int k = me; k <= best; k += width) sign[order[k]] *= -1;
        __syncthreads();
        if (is_last) break;
    }
    for (int k = me; k < pool; k += width) signs[member[k]] = sign[k];
    if (warp == 0) {
        double sum = 0;
        for (int j = lane; j < n; j += 32) sum += seen[j] * seen[j];
        for (int k = 16; k; k /= 2) sum += __shfl_xor_sync(~0u, sum, k);
        if (lane == 0) found[1] = sum;
    }
}
"""


def greedy(
    members: Array,
    changes: Array,
    seen_changes: Array,
    squares: Array,
    costs: Array,
    goal: Array,
    limits: Array,
    blocks: Array,
    signs: Array,
    residual: Array,
    seen: Array,
    *,
    rounds: int,
    least: int,
    slight: float,
) -> tuple[bool, float]:
    """`flips._greedy` on a GPU, of a power of two of the changes, the `members`: whether any was
    made, and the squared length of what `seen` is then.

    `seen_changes`, `seen` are the changes and the residual as lengths are measured, `costs` what
    changes add to a squared length, both with the `signs` that say which way each goes; `signs`,
    `residual` and `seen` are changed in place.  A round that takes less than `slight` of the
    squared length off is the last one.
    """
    import cupy

    pool, n = len(members), changes.shape[1]
    shared = 8 * (THREADS // 32) * max(pool // 4, least) + 16 * pool + 4 * n
    found = cupy.empty(2, cupy.float64)
    numbers = map(np.int32, (len(limits), pool, n, rounds, least))
    arrays = members, changes, seen_changes, squares, costs, goal, limits, blocks
    given = *arrays, *numbers, np.float64(slight), signs, residual, seen, found
    _kernel("greedy", GREEDY, shared)((1,), (THREADS,), given, shared_mem=shared)
    made, length = found.get().tolist()
    return bool(made), length


def out_of_memory() -> tuple[type[Exception], ...]:
    """What is raised where a GPU's memory runs out."""
    import cupy

    return (
        cupy.cuda.memory.OutOfMemoryError,
        cupy.cuda.runtime.CUDARuntimeError,
        cupy.cuda.cublas.CUBLASError,
    )


def free_memory() -> None:
    """Gives back what the library keeps for its next arrays."""
    import cupy

    cupy.get_default_memory_pool().free_all_blocks()

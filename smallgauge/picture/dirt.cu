// Dirt on an NVIDIA card: what dirt.py and kernels_dirt.py do with every pixel, in the same order and precision and without contraction. It
// stands behind flow.cu and uses its `within`, `mirrored` and `between`. Pictures are (height, width) of display lightness, 0 to 255; fields of flow
// and level are reduced by STEP.

#define STEP 2

typedef unsigned long long u64;

__device__ __forceinline__ float clipped(float value, int most) { return fminf(fmaxf(value, 0.0f), (float)most); }

// Between four pixels, the edge's own beyond the edge: as OpenCV carries a picture, and as the compiled loops do.
__device__ __forceinline__ float carried(const float *picture, int width, int height, float x, float y) {
  x = clipped(x, width - 1);
  y = clipped(y, height - 1);
  int i = (int)x, j = (int)y, next = min(i + 1, width - 1);
  float a = x - (float)i, b = y - (float)j;
  const float *up = picture + (long)j * width, *down = picture + (long)min(j + 1, height - 1) * width;
  return along(along(up[i], up[next], a), along(down[i], down[next], a), b);
}

__device__ __forceinline__ float looped(const float *picture, int width, int height, float x, float y) {
  x = clipped(x, width - 1);
  y = clipped(y, height - 1);
  int i = min((int)x, width - 2), j = min((int)y, height - 2);
  float a = x - (float)i, b = y - (float)j;
  const float *up = picture + (long)j * width + i, *down = up + width;
  float high = up[0] + a * (up[1] - up[0]), low = down[0] + a * (down[1] - down[0]);
  return high + b * (low - high);
}

__device__ __forceinline__ int nearest(int place, int count, int larger) {
  return min((int)floor((double)place * (1.0 / ((double)larger / count))), count - 1);
}

// --- level between two pictures

extern "C" __global__ void level_apart(const u8 *now, const u8 *other, const float *flow, int width, int height, float *out) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  int place = y * width + x;
  float at_x = clipped(flow[2 * place] + (float)x, width - 1), at_y = clipped(flow[2 * place + 1] + (float)y, height - 1);
  int i = min((int)at_x, width - 2), j = min((int)at_y, height - 2);
  float a = at_x - (float)i, b = at_y - (float)j;
  const u8 *up = other + j * width + i, *down = up + width;
  float high = along((float)up[0], (float)up[1], a), low = along((float)down[0], (float)down[1], a);
  out[place] = (float)now[place] - rintf(along(high, low, b));
}

// Which pixels count, and by how much they are off the middle: two planes.
extern "C" __global__ void level_counted(const float *apart, const float *middle, const float *usual, int count, float *out) {
  int n = blockIdx.x * blockDim.x + threadIdx.x;
  if (n >= count) return;
  float off = apart[n] - middle[0], counts = fabsf(off) < 8.0f + 2.0f * usual[0] ? 1.0f : 0.0f;
  out[n] = counts;
  out[count + n] = counts * off;
}

extern "C" __global__ void level_smooth(const float *planes, const float *middle, int count, float *out) {
  int n = blockIdx.x * blockDim.x + threadIdx.x;
  if (n < count) out[n] = planes[count + n] / (planes[n] + 0.05f) + middle[0];
}

// --- softness: planes one behind the other, mirrored at the edge

extern "C" __global__ void soften_across(const float *from, int width, int height, const float *taps, int reach, float *to) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  long row = ((long)blockIdx.z * height + y) * width;
  float total = 0.0f;
  for (int n = -reach; n <= reach; n += 1) total = __fmaf_rn(from[row + mirrored(x + n, width)], taps[abs(n)], total);
  to[row + x] = total;
}

extern "C" __global__ void soften_down(const float *from, int width, int height, const float *taps, int reach, float *to) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  const float *plane = from + (long)blockIdx.z * height * width + x;
  float total = taps[0] * plane[(long)y * width];
  for (int n = 1; n <= reach; n += 1)
    total = __fmaf_rn(plane[(long)mirrored(y - n, height) * width] + plane[(long)mirrored(y + n, height) * width], taps[n], total);
  to[((long)blockIdx.z * height + y) * width + x] = total;
}

// --- a picture carried by its flow and brought to level

extern "C" __global__ void carry(const float *picture, int width, int height, const float *flow, const float *offset, int wide, int high,
                                 float *out) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  Between i = between(x, wide, (double)wide / width, false), j = between(y, high, (double)high / height, false);
  float half = (STEP - 1) / 2.0f, at[2];
  for (int c = 0; c < 2; c += 1) {
    float places[4];
    for (int n = 0; n < 4; n += 1) {
      int column = n & 1 ? i.next : i.at, row = n & 2 ? j.next : j.at;
      float own = (float)((c == 0 ? column : row) * STEP) + half;
      places[n] = flow[2 * (row * wide + column) + c] * (float)STEP + own;
    }
    float one = places[0] * (1.0f - i.share) + places[1] * i.share, two = places[2] * (1.0f - i.share) + places[3] * i.share;
    at[c] = one * (1.0f - j.share) + two * j.share;
  }
  float level = offset[nearest(y, high, height) * wide + nearest(x, wide, width)];
  out[(long)y * width + x] = carried(picture, width, height, at[0], at[1]) + level;
}

// The same once more where the flow has changed.
extern "C" __global__ void carry_again(const float *picture, int width, int height, const float *flow, const float *offset, int wide,
                                       int high, const u8 *where, float *out) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  int row = min(y / STEP, high - 1), column = min(x / STEP, wide - 1);
  if (where[row * wide + column] == 0) return;
  float finer = 1.0f / STEP, fx = clipped(((float)x + 0.5f) * finer - 0.5f, wide - 1), fy = clipped(((float)y + 0.5f) * finer - 0.5f, high - 1);
  int i = min((int)fx, wide - 2), j = min((int)fy, high - 2);
  float a = fx - (float)i, b = fy - (float)j, to[2];
  for (int c = 0; c < 2; c += 1) {
    const float *up = flow + 2 * (j * wide + i) + c, *low = up + 2 * wide;
    float one = (up[0] * (1.0f - b) + low[0] * b) * (float)STEP, two = (up[2] * (1.0f - b) + low[2] * b) * (float)STEP;
    to[c] = (float)(c == 0 ? x : y) + one + a * (two - one);
  }
  float value = looped(picture, width, height, to[0], to[1]);
  out[(long)y * width + x] = value + offset[row * wide + column];
}

// --- grain: every so manyth pixel's distance from the middle of both sides, behind the level that it belongs to

extern "C" __global__ void grain_keys(const float *now, const float *before, const float *after, int width, int every, int columns, int rows,
                                      u64 *keys) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= columns || y >= rows) return;
  long place = (long)y * every * width + x * every;
  float middle = 0.5f * (before[place] + after[place]), off = fabsf(now[place] - middle);
  keys[y * columns + x] = (u64)((int)clipped(middle, 255) / 16) << 32 | (u64)__float_as_uint(off);
}

__device__ int below(const u64 *keys, int count, u64 value) {
  int low = 0, high = count;
  while (low < high) {
    int middle = (low + high) / 2;
    if (keys[middle] < value) low = middle + 1;
    else high = middle;
  }
  return low;
}

// How many pixels each of sixteen levels has, and the median of their distances: `keys` rise.
extern "C" __global__ void grain_medians(const u64 *keys, int count, float *out) {
  int level = threadIdx.x;
  int first = below(keys, count, (u64)level << 32), stop = below(keys, count, (u64)(level + 1) << 32), own = stop - first;
  out[level] = (float)own;
  float one = own ? __uint_as_float((unsigned)keys[first + (own - 1) / 2]) : 0.0f;
  float two = own ? __uint_as_float((unsigned)keys[first + own / 2]) : 0.0f;
  out[16 + level] = (one + two) * 0.5f;
}

// --- what stands out

extern "C" __global__ void spikes(const float *now, const float *before, const float *after, int width, int height, const float *sigma,
                                  float floor_, float least, float detail, float *far) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  long place = (long)y * width + x;
  float p = before[place], n = after[place], value = now[place], dp = value - p, dn = value - n;
  float smaller = fmaxf(fminf(dp, dn), -fmaxf(dp, dn));
  if (smaller < floor_) return;
  float level = sigma[min(max((int)(0.5f * (p + n)), 0), 255)], limit = least * level;
  if (smaller < limit) return;
  float high = p, small = p;
  for (int j = max(y - 1, 0); j <= min(y + 1, height - 1); j += 1)
    for (int i = max(x - 1, 0); i <= min(x + 1, width - 1); i += 1) {
      float one = before[(long)j * width + i], two = after[(long)j * width + i];
      high = fmaxf(high, fmaxf(one, two));
      small = fminf(small, fminf(one, two));
    }
  limit += detail * (high - small);
  bool light = value > p;
  float out = light ? value - high : small - value;
  if (out > limit && out / level > fabsf(far[place])) far[place] = light ? out / level : -out / level;
}

extern "C" __global__ void spread_out(const float *coarse, int columns, int rows, float *far, int width, int height) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height || x / 2 >= columns || y / 2 >= rows) return;
  float value = coarse[(y / 2) * columns + x / 2];
  if (fabsf(value) > fabsf(far[(long)y * width + x])) far[(long)y * width + x] = value;
}

// --- flow under what stands out

extern "C" __global__ void touched(const float *far, int across, const int *first_x, const float *share_x, int most_x, const int *first_y,
                                   const float *share_y, int most_y, u8 *to, int width, int height) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  bool any = false;
  for (int j = 0; j < most_y; j += 1)
    for (int i = 0; i < most_x; i += 1) {
      if (share_y[y * most_y + j] * share_x[x * most_x + i] == 0.0f) continue;
      any |= far[(long)(first_y[y] + j) * across + first_x[x] + i] != 0.0f;
    }
  to[y * width + x] = any;
}

extern "C" __global__ void widen(const u8 *from, int width, int height, int reach, u8 *to) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  u8 any = 0;
  for (int j = max(y - reach, 0); j <= min(y + reach, height - 1); j += 1)
    for (int i = max(x - reach, 0); i <= min(x + reach, width - 1); i += 1) any |= from[j * width + i];
  to[y * width + x] = any;
}

// What is free, and the flow where it is: three planes.
extern "C" __global__ void known_parts(const float *flow, const u8 *under, int count, float *out) {
  int n = blockIdx.x * blockDim.x + threadIdx.x;
  if (n >= count) return;
  float is_free = under[n] ? 0.0f : 1.0f;
  out[n] = is_free;
  out[count + n] = flow[2 * n] * is_free;
  out[2 * count + n] = flow[2 * n + 1] * is_free;
}

// The flow from around a place, of the narrowest of three softnesses that knows some; `left` where none does.
extern "C" __global__ void choose(const float *narrow, const float *wider, const float *widest, int count, float *filled, u8 *left) {
  int n = blockIdx.x * blockDim.x + threadIdx.x;
  if (n >= count) return;
  const float *from = narrow[n] > 0.05f ? narrow : wider[n] > 0.05f ? wider : widest;
  bool sure = from[n] > 0.05f;
  filled[2 * n] = sure ? from[count + n] / from[n] : 0.0f;
  filled[2 * n + 1] = sure ? from[2 * count + n] / from[n] : 0.0f;
  left[n] = !sure;
}

extern "C" __global__ void fill(const float *flow, const u8 *under, const float *wide, const u8 *left, int columns, int rows, int width,
                                int height, float *out) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  int place = y * width + x;
  bool sure = under[place] && !left[nearest(y, rows, height) * columns + nearest(x, columns, width)];
  const float *from = sure ? wide : flow;
  out[2 * place] = from[2 * place];
  out[2 * place + 1] = from[2 * place + 1];
}

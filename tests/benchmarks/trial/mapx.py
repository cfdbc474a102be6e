"""extras from the coarse map for line candidates: mapx.py OUT"""
import sys, pickle, glob, cv2, numpy as np
from concurrent.futures import ProcessPoolExecutor
def q(v,*a): return [float(np.quantile(v,x)) for x in a]
def job(f):
    cv2.setNumThreads(1)
    data=pickle.load(open(f,"rb"))
    for r in data["rows"]:
        if not r["cands"]: continue
        D=r["damage"].astype(np.float32); ones=np.ones((3,3),np.uint8)
        crack=cv2.dilate(D[2],ones); dam=cv2.dilate(np.maximum(D[0],D[1]),ones); feat=D[0]; s=2/r["ppm"]
        inside=D[0]>-11.5
        ent=lambda o: 1/(1+np.exp(-np.abs(o)))
        big=np.maximum(D[0],np.maximum(D[1],D[2]))[inside]
        r["map_stats"]=dict(mean_abs=float(np.mean(1/(1+np.exp(np.abs(big-3))))),n3=float((np.abs(big-3)<2).mean()),mx=float(big.max()),q999=float(np.quantile(big,.999)),q99=float(np.quantile(big,.99)))
        for c in r["cands"]:
            if c["path"] is None: continue
            at=(c["path"]+.5)*s-.5
            col=np.clip(np.round(at[:,0]).astype(int),0,D.shape[2]-1); row=np.clip(np.round(at[:,1]).astype(int),0,D.shape[1]-1)
            k,d=crack[row,col],dam[row,col]
            c["extra"]["map"]=dict(m_crack=float(k.mean()),m_crack_low=q(k,.2)[0],m_crack_high=q(k,.8)[0],m_damage=float(d.mean()),m_damage_low=q(d,.2)[0],m_damage_high=q(d,.8)[0],m_peak=float(max(k.max(),d.max())))
        for k in("gray","damage","piece"): r.pop(k,None)
    return data["rows"]
if __name__=="__main__":
    with ProcessPoolExecutor(2) as pool: rows=[r for part in pool.map(job,sorted(glob.glob("/tmp/ml/dev/*.pkl"))) for r in part]
    pickle.dump(rows,open(sys.argv[1],"wb")); print(len(rows))
